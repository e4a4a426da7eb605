//! Reading a job's fields as typed values, in the way the rules need them: agreed, or the worse of two answers, or nothing.

use crate::fold::{Fact, JobFold, Names, SubjectFold};
use crate::kinds::{JOINTS, Shape};
use crate::view::{FieldState, FieldView, ItemView};
use journal::EntryHash;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;

/// One job's fields and lists as views, made once for all rules.
pub(crate) struct Reader<'a> {
    pub fold: &'a JobFold,
    pub names: &'a Names<'a>,
    pub fields: BTreeMap<String, FieldView>,
    pub lists: BTreeMap<String, Vec<ItemView>>,
}

impl<'a> Reader<'a> {
    pub fn new(fold: &'a JobFold, names: &'a Names<'a>) -> Self {
        let mut reader = Self { fold, names, fields: BTreeMap::new(), lists: BTreeMap::new() };
        for (path, subject) in &fold.subjects {
            match crate::fold::spec(path).map(|s| s.shape) {
                Some(Shape::List) => {
                    reader.lists.insert(path.clone(), names.list(subject));
                }
                // A field that this program does not know is shown as not understood, and kept.
                Some(Shape::Single) | None => {
                    if let Some(view) = names.field(subject) {
                        reader.fields.insert(path.clone(), view);
                    }
                }
            }
        }
        reader
    }

    /// The value that counts: the agreed one, or for two answers the one that governs.
    pub fn value<T: DeserializeOwned>(&self, path: &str) -> Option<T> {
        let view = self.fields.get(path)?;
        let answer = match view.state {
            FieldState::Agreed => view.answers.first(),
            FieldState::TwoAnswers => view.answers.get(view.governs?),
            FieldState::NotUnderstood => None,
        }?;
        serde_json::from_value(answer.body.clone()).ok()
    }

    /// True where this program knows the kind, version and form of an entry.
    pub fn understands(&self, path: &str, entry: &EntryHash) -> bool {
        self.fold.subjects.get(path).and_then(|s| s.facts.get(entry)).is_some_and(|f| f.understood)
    }

    /// The standing items of a list with their entries, as far as this program understands them.
    pub fn items<T: DeserializeOwned>(&self, path: &str) -> Vec<(&ItemView, T)> {
        let all = self.lists.get(path).map(Vec::as_slice).unwrap_or_default();
        let known = all.iter().filter(|i| i.struck.is_none() && self.understands(path, &i.entry));
        known.filter_map(|i| Some((i, serde_json::from_value(i.body.clone()).ok()?))).collect()
    }

    /// Who stands behind a field.
    pub fn authors(&self, path: &str) -> Vec<&crate::view::By> {
        self.fields.get(path).into_iter().flat_map(|f| &f.answers).flat_map(|a| &a.by).collect()
    }

    /// Paths of a step that hold anything, with their subjects.
    pub fn of_step(&self, step: u8) -> impl Iterator<Item = (&'a String, &'a SubjectFold)> {
        self.fold.subjects.iter().filter(move |(path, _)| crate::fold::spec(path).is_some_and(|s| s.step == step))
    }

    /// The entries that stand in a subject: for a list its items that are not struck.
    pub fn standing(path: &str, subject: &'a SubjectFold) -> Vec<&'a Fact> {
        match crate::fold::spec(path).map(|s| s.shape) {
            Some(Shape::List) => subject.items().collect(),
            _ => subject.standing().collect(),
        }
    }

    /// The method of the plan, where one stands.
    pub fn method(&self) -> Option<String> {
        self.value::<crate::kinds::Plan>("plan").map(|p| p.method)
    }

    /// The joints that the planned method has; those of a Dutchman while nothing is planned.
    pub fn joints(&self) -> Vec<&'static str> {
        joints(self.method().as_deref())
    }

    /// The procedure in use, from the plan.
    pub fn procedure(&self) -> Option<&'a crate::plan::Procedure> {
        let used: crate::kinds::ProcedureUsed = self.value("procedure")?;
        self.names.plan.procedure(&used.procedure)
    }

    /// The section of the job: that of its place, else the one it was opened in.
    pub fn section(&self) -> Option<&'a crate::plan::Section> {
        let id = self
            .value::<crate::kinds::Place>("place")
            .map(|p| p.section)
            .or_else(|| self.value::<crate::kinds::Open>("open").map(|o| o.section))?;
        self.names.plan.section(&id)
    }
}

/// The joints of a repair method: a replaced length has an upper and a lower one, the others a single patch.
pub fn joints(method: Option<&str>) -> Vec<&'static str> {
    match method {
        Some("window" | "pad" | "plug") => vec!["patch"],
        _ => JOINTS.to_vec(),
    }
}

/// True where the method has a gap, a piece and a cut length.
pub fn has_gap(method: Option<&str>) -> bool {
    !matches!(method, Some("window" | "pad" | "plug"))
}

/// True where the method has a fit-up of its own.
pub fn has_fit_up(method: Option<&str>) -> bool {
    !matches!(method, Some("pad" | "plug"))
}
