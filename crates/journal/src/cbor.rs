//! Deterministic CBOR (RFC 8949, section 4.2.1), the part of it that the journal needs, and nothing else.
//!
//! A value has exactly one encoding: shortest lengths, map keys in the order of their encoded bytes, no duplicates,
//! no indefinite lengths, no floats, no tags. The reader refuses every other form, so two devices can never hold
//! different bytes for the same meaning, and bytes that are hashed never need encoding again.

use crate::limits::MAX_DEPTH;
use crate::value::Value;
use std::collections::BTreeMap;

/// Why bytes are not a canonical value, and where.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not canonical at byte {at}: {why}")]
pub struct CborError {
    /// Offset of the byte at which reading stopped.
    pub at: usize,
    /// What was wrong there.
    pub why: Why,
}

/// What was wrong with the bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Why {
    /// The bytes end too early.
    #[error("the bytes end too early")]
    Short,
    /// Bytes follow after the value.
    #[error("bytes follow after the end")]
    Trailing,
    /// A length or number is not written in its shortest form.
    #[error("a number is not in its shortest form")]
    NotShortest,
    /// Keys are not sorted, or one stands twice.
    #[error("map keys are not sorted or one stands twice")]
    KeyOrder,
    /// A form the journal does not use: float, tag, indefinite length, other simple value.
    #[error("a form the journal does not use")]
    Form,
    /// A whole number beyond signed 64 bits.
    #[error("a number beyond 64 bits")]
    Range,
    /// Text that is not UTF-8.
    #[error("text that is not UTF-8")]
    Utf8,
    /// Nested too deeply.
    #[error("nested deeper than {MAX_DEPTH}")]
    Depth,
    /// Another type stands where one was expected.
    #[error("another type than expected")]
    Type,
}

/// A value nested deeper than [`MAX_DEPTH`] cannot be encoded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the value is nested deeper than {MAX_DEPTH}")]
pub struct TooDeep;

const UNSIGNED: u8 = 0;
const NEGATIVE: u8 = 1;
const BYTES: u8 = 2;
const TEXT: u8 = 3;
const ARRAY: u8 = 4;
const MAP: u8 = 5;
const SIMPLE: u8 = 7;
const FALSE: u8 = 0xf4;
const TRUE: u8 = 0xf5;
const NULL: u8 = 0xf6;

/// Encodes a value.
///
/// # Errors
/// [`TooDeep`] where arrays and maps stand more than [`MAX_DEPTH`] inside each other.
pub fn encode(value: &Value) -> Result<Vec<u8>, TooDeep> {
    let mut out = Encoder::default();
    out.value(value)?;
    Ok(out.into_bytes())
}

/// Decodes exactly one value from all of `bytes`.
///
/// # Errors
/// [`CborError`] for every form but the one [`encode`] writes.
pub fn decode(bytes: &[u8]) -> Result<Value, CborError> {
    let mut reader = Reader::new(bytes);
    let value = reader.value()?;
    reader.finish()?;
    Ok(value)
}

/// Writes canonical CBOR piece by piece. Whoever writes a map hands its keys in order.
#[derive(Clone, Debug, Default)]
pub struct Encoder {
    out: Vec<u8>,
}

impl Encoder {
    /// The bytes written.
    pub fn into_bytes(self) -> Vec<u8> {
        self.out
    }

    fn head(&mut self, major: u8, arg: u64) {
        let major = major << 5;
        let bytes = arg.to_be_bytes();
        match arg {
            0..24 => self.out.push(major | bytes[7]),
            24..0x100 => self.out.extend_from_slice(&[major | 24, bytes[7]]),
            0x100..0x1_0000 => self.extend(major | 25, &bytes[6..]),
            0x1_0000..0x1_0000_0000 => self.extend(major | 26, &bytes[4..]),
            _ => self.extend(major | 27, &bytes),
        }
    }

    fn extend(&mut self, first: u8, rest: &[u8]) {
        self.out.push(first);
        self.out.extend_from_slice(rest);
    }

    /// An unsigned number.
    pub fn unsigned(&mut self, n: u64) {
        self.head(UNSIGNED, n);
    }

    /// A signed number.
    pub fn int(&mut self, n: i64) {
        match u64::try_from(n) {
            Ok(n) => self.head(UNSIGNED, n),
            // CBOR writes -1 - n; the complement of a negative two's-complement number is exactly that.
            Err(_) => self.head(NEGATIVE, !n.cast_unsigned()),
        }
    }

    /// A byte string.
    pub fn bytes(&mut self, bytes: &[u8]) {
        self.head(BYTES, bytes.len() as u64);
        self.out.extend_from_slice(bytes);
    }

    /// A text string.
    pub fn text(&mut self, text: &str) {
        self.head(TEXT, text.len() as u64);
        self.out.extend_from_slice(text.as_bytes());
    }

    /// The head of an array of `len` items; the items follow.
    pub fn array(&mut self, len: usize) {
        self.head(ARRAY, len as u64);
    }

    /// The head of a map of `len` pairs; the pairs follow, keys in the order of their encoded bytes.
    pub fn map(&mut self, len: usize) {
        self.head(MAP, len as u64);
    }

    /// Nothing.
    pub fn null(&mut self) {
        self.out.push(NULL);
    }

    /// A whole value.
    ///
    /// # Errors
    /// [`TooDeep`] where it is nested deeper than [`MAX_DEPTH`].
    pub fn value(&mut self, value: &Value) -> Result<(), TooDeep> {
        self.value_at(value, 0)
    }

    fn value_at(&mut self, value: &Value, depth: usize) -> Result<(), TooDeep> {
        if depth >= MAX_DEPTH && matches!(value, Value::Array(_) | Value::Map(_)) {
            return Err(TooDeep);
        }
        match value {
            Value::Null => self.null(),
            Value::Bool(b) => self.out.push(if *b { TRUE } else { FALSE }),
            Value::Int(n) => self.int(*n),
            Value::Bytes(b) => self.bytes(b),
            Value::Text(t) => self.text(t),
            Value::Array(items) => {
                self.array(items.len());
                for item in items {
                    self.value_at(item, depth + 1)?;
                }
            }
            Value::Map(map) => {
                self.map(map.len());
                let mut pairs: Vec<(&String, &Value)> = map.iter().collect();
                // The encoded key begins with its length, so shorter keys come first.
                pairs.sort_unstable_by(|a, b| (a.0.len(), a.0).cmp(&(b.0.len(), b.0)));
                for (key, value) in pairs {
                    self.text(key);
                    self.value_at(value, depth + 1)?;
                }
            }
        }
        Ok(())
    }
}

/// Reads canonical CBOR piece by piece and refuses everything else. Never panics, never allocates more than the input.
#[derive(Clone, Debug)]
pub struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    /// Reads from the start of `bytes`.
    pub const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// Offset of the next byte.
    pub const fn at(&self) -> usize {
        self.at
    }

    /// All bytes must have been read.
    ///
    /// # Errors
    /// [`Why::Trailing`] where some are left.
    pub fn finish(&self) -> Result<(), CborError> {
        if self.at == self.bytes.len() { Ok(()) } else { Err(self.fault(Why::Trailing)) }
    }

    const fn fault(&self, why: Why) -> CborError {
        CborError { at: self.at, why }
    }

    fn peek(&self) -> Result<u8, CborError> {
        self.bytes.get(self.at).copied().ok_or(self.fault(Why::Short))
    }

    fn take(&mut self, len: usize) -> Result<&'a [u8], CborError> {
        let end = self.at.checked_add(len).ok_or(self.fault(Why::Short))?;
        let piece = self.bytes.get(self.at..end).ok_or(self.fault(Why::Short))?;
        self.at = end;
        Ok(piece)
    }

    /// One head: major type and argument, in shortest form.
    fn head(&mut self) -> Result<(u8, u64), CborError> {
        let first = self.peek()?;
        let (major, info) = (first >> 5, first & 31);
        if major == SIMPLE || major == 6 || info > 27 {
            return Err(self.fault(Why::Form));
        }
        let start = self.clone();
        self.at += 1;
        let (width, least) = match info {
            24 => (1, 24),
            25 => (2, 0x100),
            26 => (4, 0x1_0000),
            27 => (8, 0x1_0000_0000),
            small => return Ok((major, u64::from(small))),
        };
        let arg = self.take(width)?.iter().fold(0, |n, b| n << 8 | u64::from(*b));
        if arg < least {
            return Err(start.fault(Why::NotShortest));
        }
        Ok((major, arg))
    }

    fn expect(&mut self, wanted: u8) -> Result<u64, CborError> {
        let start = self.at;
        match self.head()? {
            (major, arg) if major == wanted => Ok(arg),
            _ => Err(CborError { at: start, why: Why::Type }),
        }
    }

    /// A length that must fit into what is left, each item taking at least `least` bytes: a lie cannot make us allocate.
    fn length(&self, arg: u64, least: usize) -> Result<usize, CborError> {
        let len = usize::try_from(arg).map_err(|_| self.fault(Why::Short))?;
        let left = self.bytes.len() - self.at;
        if len.checked_mul(least).is_some_and(|need| need <= left) { Ok(len) } else { Err(self.fault(Why::Short)) }
    }

    /// An unsigned number.
    ///
    /// # Errors
    /// [`CborError`] for anything else.
    pub fn unsigned(&mut self) -> Result<u64, CborError> {
        self.expect(UNSIGNED)
    }

    /// A signed 64-bit number.
    ///
    /// # Errors
    /// [`CborError`] for anything else.
    pub fn int(&mut self) -> Result<i64, CborError> {
        let start = self.at;
        let (major, arg) = self.head()?;
        let n = i64::try_from(arg).map_err(|_| CborError { at: start, why: Why::Range })?;
        match major {
            UNSIGNED => Ok(n),
            NEGATIVE => Ok(-1 - n),
            _ => Err(CborError { at: start, why: Why::Type }),
        }
    }

    /// A byte string.
    ///
    /// # Errors
    /// [`CborError`] for anything else.
    pub fn bytes(&mut self) -> Result<&'a [u8], CborError> {
        let arg = self.expect(BYTES)?;
        let len = self.length(arg, 1)?;
        self.take(len)
    }

    /// A text string.
    ///
    /// # Errors
    /// [`CborError`] for anything else.
    pub fn text(&mut self) -> Result<&'a str, CborError> {
        let arg = self.expect(TEXT)?;
        let len = self.length(arg, 1)?;
        let start = self.at;
        std::str::from_utf8(self.take(len)?).map_err(|_| CborError { at: start, why: Why::Utf8 })
    }

    /// The head of an array: how many items follow.
    ///
    /// # Errors
    /// [`CborError`] for anything else.
    pub fn array(&mut self) -> Result<usize, CborError> {
        let arg = self.expect(ARRAY)?;
        self.length(arg, 1)
    }

    /// The head of a map: how many pairs follow.
    ///
    /// # Errors
    /// [`CborError`] for anything else.
    pub fn map(&mut self) -> Result<usize, CborError> {
        let arg = self.expect(MAP)?;
        self.length(arg, 2)
    }

    /// True, and read past, where nothing (`null`) stands here.
    ///
    /// # Errors
    /// [`CborError`] where the bytes end.
    pub fn null(&mut self) -> Result<bool, CborError> {
        let is_null = self.peek()? == NULL;
        self.at += usize::from(is_null);
        Ok(is_null)
    }

    /// Any value.
    ///
    /// # Errors
    /// [`CborError`] for every form that is not canonical or not ours.
    pub fn value(&mut self) -> Result<Value, CborError> {
        self.value_at(0)
    }

    fn value_at(&mut self, depth: usize) -> Result<Value, CborError> {
        let first = self.peek()?;
        match first >> 5 {
            UNSIGNED | NEGATIVE => self.int().map(Value::Int),
            BYTES => self.bytes().map(|b| Value::Bytes(b.to_vec())),
            TEXT => self.text().map(|t| Value::Text(t.to_owned())),
            ARRAY | MAP if depth >= MAX_DEPTH => Err(self.fault(Why::Depth)),
            ARRAY => {
                let len = self.array()?;
                (0..len).map(|_| self.value_at(depth + 1)).collect::<Result<_, _>>().map(Value::Array)
            }
            MAP => self.map_at(depth),
            _ => {
                let value = match first {
                    FALSE => Value::Bool(false),
                    TRUE => Value::Bool(true),
                    NULL => Value::Null,
                    _ => return Err(self.fault(Why::Form)),
                };
                self.at += 1;
                Ok(value)
            }
        }
    }

    fn map_at(&mut self, depth: usize) -> Result<Value, CborError> {
        let len = self.map()?;
        let mut map = BTreeMap::new();
        let mut last: Option<&str> = None;
        for _ in 0..len {
            let start = self.at;
            let key = self.text()?;
            if last.is_some_and(|last| (last.len(), last) >= (key.len(), key)) {
                return Err(CborError { at: start, why: Why::KeyOrder });
            }
            last = Some(key);
            map.insert(key.to_owned(), self.value_at(depth + 1)?);
        }
        Ok(Value::Map(map))
    }
}
