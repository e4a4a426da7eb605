//! The values an entry's body may hold: everything of deterministic CBOR that we use, and no floats.

use serde_json::Value as Json;
use std::collections::BTreeMap;

/// A body value. There are no floats: a measurement is an exact fraction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Value {
    /// Nothing.
    Null,
    /// True or false.
    Bool(bool),
    /// A whole number.
    Int(i64),
    /// Raw bytes (shown as hexadecimal in JSON).
    Bytes(Vec<u8>),
    /// Text, UTF-8.
    Text(String),
    /// A list.
    Array(Vec<Self>),
    /// Named values. Written in the order of the encoded keys (RFC 8949, 4.2.1).
    Map(BTreeMap<String, Self>),
}

/// A JSON value that cannot be kept: it holds a float or a number beyond 64 bits.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0} is not a whole number; the journal keeps exact fractions only")]
pub struct NotExact(pub String);

impl Value {
    /// From JSON.
    ///
    /// # Errors
    /// [`NotExact`] where a number is not a whole number within 64 bits.
    pub fn from_json(json: &Json) -> Result<Self, NotExact> {
        Ok(match json {
            Json::Null => Self::Null,
            Json::Bool(b) => Self::Bool(*b),
            Json::Number(n) => Self::Int(n.as_i64().ok_or_else(|| NotExact(n.to_string()))?),
            Json::String(s) => Self::Text(s.clone()),
            Json::Array(items) => Self::Array(items.iter().map(Self::from_json).collect::<Result<_, _>>()?),
            Json::Object(map) => Self::Map(map.iter().map(|(k, v)| Ok((k.clone(), Self::from_json(v)?))).collect::<Result<_, NotExact>>()?),
        })
    }

    /// To JSON; bytes become hexadecimal text.
    pub fn to_json(&self) -> Json {
        match self {
            Self::Null => Json::Null,
            Self::Bool(b) => Json::Bool(*b),
            Self::Int(i) => Json::from(*i),
            Self::Bytes(b) => Json::String(hex::encode(b)),
            Self::Text(t) => Json::String(t.clone()),
            Self::Array(items) => Json::Array(items.iter().map(Self::to_json).collect()),
            Self::Map(map) => Json::Object(map.iter().map(|(k, v)| (k.clone(), v.to_json())).collect()),
        }
    }
}
