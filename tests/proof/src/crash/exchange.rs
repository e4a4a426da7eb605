//! The two ends of a sync over two real stores, without the network between them.

use super::play::{Fact, Play};
use job::Say;
use journal::{EntryHash, Heads, Incarnation, PhotoHash, Sealed, SigningKey, VerifyingKey};
use store::{Size, Store, StoreError};
use sync::message::{DoneReply, PhotoReply};
use sync::server_side::{self, Holds, PhotoRule};
use sync::wire::{self, Unread};
use sync::{AcceptReport, EntriesReceipt, Exchange, Local, MAX_WANTED, PhotoReceipt, Reply, Step};

const NOW: i64 = 1_790_000_600_000;

/// The tablet's end.
pub struct Tablet<'s> {
    pub store: &'s mut Store,
    pub own: Incarnation,
    /// What was promised to the tablet's people, where they are the ones watched.
    pub told: Vec<Fact>,
    /// The error behind the sentence.
    pub failed: std::cell::RefCell<Option<StoreError>>,
}

impl Tablet<'_> {
    fn say<T>(&self, result: Result<T, StoreError>) -> Result<T, Say> {
        result.map_err(|e| {
            let say = Say::new("store", e.to_string());
            *self.failed.borrow_mut() = Some(e);
            say
        })
    }
}

impl Local for Tablet<'_> {
    fn heads(&self) -> Result<Heads, Say> {
        self.say(self.store.heads())
    }
    fn own(&self) -> Result<(Incarnation, u64), Say> {
        Ok((self.own, self.heads()?.seq(&self.own)))
    }
    fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, Say> {
        self.say(self.store.read(incarnation, from_seq, max_bytes))
    }
    fn accept(&mut self, entries: Vec<Sealed>) -> Result<AcceptReport, Say> {
        let result = self.store.accept(entries.clone());
        let got = self.say(result)?;
        self.told.extend(entries.into_iter().map(|s| Fact::Entry(Box::new(s))));
        Ok(AcceptReport { stored: got.stored as u64, known: got.known as u64, quarantined: got.quarantined })
    }
    fn unread(&self) -> Result<Vec<EntryHash>, Say> {
        Ok(Vec::new())
    }
    fn read_unread(&self, _names: &[EntryHash], _max_bytes: usize) -> Result<Vec<Unread>, Say> {
        Ok(Vec::new())
    }
    fn keep_unread(&mut self, _entries: Vec<Unread>) -> Result<u64, Say> {
        Ok(0)
    }
    fn server_series(&mut self, _keys: &[VerifyingKey]) -> Result<(), Say> {
        Ok(())
    }
    fn photos_waiting(&self) -> Result<Vec<(PhotoHash, u64)>, Say> {
        let waiting = self.say(self.store.photos_without_receipt())?;
        let with_length = |photo| Ok(self.photo_len(&photo)?.map(|bytes| (photo, bytes)));
        waiting.into_iter().filter_map(|photo| with_length(photo).transpose()).collect()
    }
    fn photo_len(&self, photo: &PhotoHash) -> Result<Option<u64>, Say> {
        self.say(self.store.photos().bytes(photo, Size::Full))
    }
    fn photo_piece(&self, photo: &PhotoHash, offset: u64, len: usize) -> Result<Vec<u8>, Say> {
        let bytes = self.say(self.store.photos().read(photo, Size::Full))?.unwrap_or_default();
        let rest = bytes.get(offset as usize..).unwrap_or_default();
        Ok(rest[..rest.len().min(len)].to_vec())
    }
    fn photo_received(&mut self, receipt: PhotoReceipt) -> Result<(), Say> {
        let result = self.store.set_photo_receipt(&receipt.photo, receipt.at_ms);
        self.say(result)?;
        self.told.push(Fact::Receipt(receipt.photo));
        Ok(())
    }
    fn receipt(&mut self, receipt: EntriesReceipt) -> Result<(), Say> {
        let value = receipt.seq.to_string();
        let result = self.store.set_setting("receipt/own", &value);
        self.say(result)?;
        self.told.push(Fact::Setting("receipt/own", value));
        Ok(())
    }
}

/// The trailer's end: what its routes do, and the promises made in the answer.
fn answer(store: &mut Store, key: &SigningKey, step: &Step) -> Result<(Reply, Vec<Fact>), StoreError> {
    Ok(match step {
        Step::Hello(hello) => {
            let holds = Holds { heads: store.heads()?, photos_wanted: store.photos_wanted(MAX_WANTED as u64)?, ..Holds::default() };
            (Reply::Hello(server_side::hello_reply(hello, holds, key, NOW)), Vec::new())
        }
        Step::Heads(_) => (Reply::Heads(store.heads()?), Vec::new()),
        Step::Push(entries) => {
            let batch = server_side::decode_push(&wire::encode_push(entries)).expect("a push within its bounds");
            let series = batch.entries.first().map(|s| s.entry.incarnation);
            let got = store.accept(batch.entries)?;
            let report = AcceptReport { stored: got.stored as u64, known: got.known as u64, quarantined: got.quarantined };
            let head = series.map(|s| Ok::<_, StoreError>(store.heads()?.0.get(&s).copied())).transpose()?.flatten();
            let facts = entries.iter().map(|s| Fact::Entry(Box::new(s.clone()))).collect();
            (Reply::Push(server_side::push_reply(series, head, report, &[], key, NOW)), facts)
        }
        Step::Pull(ranges) => {
            let read = |series: &_, from, most| store.read(series, from, most);
            let (entries, more) = server_side::pull_answer(&store.heads()?, ranges, read)?;
            (Reply::Pull(wire::decode_pull(&server_side::encode_pull(&entries, more)).expect("a pull within its bounds")), Vec::new())
        }
        Step::PhotoOffset(photo) => photo_reply(store, key, photo)?,
        Step::PhotoPut { photo, offset, total, bytes } => {
            let held = store.upload_offset(photo)?;
            if let (false, PhotoRule::Append { skip }) = (held.complete, server_side::photo_rule(held.offset, *offset, bytes.len(), *total))
            {
                store.upload_append(photo, held.offset, &bytes[skip..])?;
            }
            let held = store.upload_offset(photo)?;
            if !held.complete && held.offset >= *total {
                match store.upload_finish(photo) {
                    Err(StoreError::UploadHash) => {}
                    other => other?,
                }
            }
            photo_reply(store, key, photo)?
        }
        Step::Done(_) => (Reply::Done(DoneReply { heard_ms: NOW }), Vec::new()),
        Step::Unread(_) | Step::PushUnread(_) | Step::Finished(_) => panic!("nothing unread travels in these flows"),
    })
}

fn photo_reply(store: &mut Store, key: &SigningKey, photo: &PhotoHash) -> Result<(Reply, Vec<Fact>), StoreError> {
    let held = store.upload_state(photo)?;
    let receipt = held.complete.then(|| PhotoReceipt::sign(key, *photo, held.offset, NOW));
    let facts = if held.complete { vec![Fact::Photo(*photo)] } else { Vec::new() };
    Ok((Reply::Photo(PhotoReply { offset: held.offset, complete: held.complete, receipt }), facts))
}

/// One whole exchange. The promises of the watched end are acknowledged as they are made.
pub fn exchange(play: &mut Play<'_>, mut tablet: Tablet<'_>, trailer: &mut Store, watch_tablet: bool) -> Result<(), StoreError> {
    let key = SigningKey::from_seed([9; 32]);
    let clock = sync::exchange::Clock { wall_ms: NOW - 5000, boot: journal::BootId([1; 16]), uptime_ms: 1 };
    let mut exchange = Exchange::new(key.public(), clock);
    for _ in 0..1000 {
        let step = exchange.next(&mut tablet);
        let step = step.map_err(|e| local(&tablet, &e))?;
        // A photo that cannot be read is left for another time and the exchange goes on; here it ends, so that the promises
        // made are the first of those of a run without a fault.
        if let Some(e) = tablet.failed.take() {
            return Err(e);
        }
        if let Step::Finished(outcome) = step {
            assert!(outcome.is_clean(), "{outcome:?}");
            return Ok(());
        }
        let (reply, promises) = answer(trailer, &key, &step)?;
        if !watch_tablet {
            promises.into_iter().for_each(|fact| play.ack(fact));
        }
        let fed = exchange.feed(&mut tablet, reply);
        let told = std::mem::take(&mut tablet.told);
        if watch_tablet {
            told.into_iter().for_each(|fact| play.ack(fact));
        }
        fed.map_err(|e| local(&tablet, &e))?;
    }
    panic!("an exchange without end");
}

/// The store's own error where there is one.
fn local(tablet: &Tablet<'_>, e: &sync::SyncError) -> StoreError {
    tablet.failed.take().unwrap_or_else(|| panic!("the exchange fails by itself: {e}"))
}
