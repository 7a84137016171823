//! How instants, tags and the other nouns stand in an event's JSON: as the texts that the rest of the program shows.

use analytics_detect::Kind;
use ingest_model::{Criticality, Scope, Tag, UtcMicros};
use serde::{Deserialize, Deserializer, Serializer, de::Error};

/// A noun with a text form.
pub(crate) trait AsText: Sized {
    fn put(&self) -> String;
    fn take(text: &str) -> Option<Self>;
}

impl AsText for UtcMicros {
    fn put(&self) -> String {
        self.to_rfc3339()
    }
    fn take(text: &str) -> Option<Self> {
        Self::parse_rfc3339(text).ok()
    }
}

impl AsText for Tag {
    fn put(&self) -> String {
        self.to_string()
    }
    fn take(text: &str) -> Option<Self> {
        Self::new(text).ok()
    }
}

impl AsText for Kind {
    fn put(&self) -> String {
        self.as_str().to_owned()
    }
    fn take(text: &str) -> Option<Self> {
        Self::parse(text)
    }
}

impl AsText for Scope {
    fn put(&self) -> String {
        self.as_str().to_owned()
    }
    fn take(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.as_str() == text)
    }
}

impl AsText for Criticality {
    fn put(&self) -> String {
        self.as_str().to_owned()
    }
    fn take(text: &str) -> Option<Self> {
        Self::parse(text)
    }
}

fn read<T: AsText, E: Error>(text: &str) -> Result<T, E> {
    T::take(text).ok_or_else(|| E::custom(format!("`{text}` is not understood here")))
}

pub(crate) fn serialize<T: AsText, S: Serializer>(value: &T, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(&value.put())
}

pub(crate) fn deserialize<'de, T: AsText, D: Deserializer<'de>>(d: D) -> Result<T, D::Error> {
    read(&String::deserialize(d)?)
}

/// The same for an optional one: null or missing is `None`.
pub(crate) mod option {
    use super::{AsText, read};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(crate) fn serialize<T: AsText, S: Serializer>(
        value: &Option<T>,
        s: S,
    ) -> Result<S::Ok, S::Error> {
        value.as_ref().map(AsText::put).serialize(s)
    }

    pub(crate) fn deserialize<'de, T: AsText, D: Deserializer<'de>>(
        d: D,
    ) -> Result<Option<T>, D::Error> {
        Option::<String>::deserialize(d)?
            .map(|t| read(&t))
            .transpose()
    }
}

/// The same for a list.
pub(crate) mod list {
    use super::{AsText, read};
    use serde::{Deserialize, Deserializer, Serializer};

    pub(crate) fn serialize<T: AsText, S: Serializer>(
        values: &[T],
        s: S,
    ) -> Result<S::Ok, S::Error> {
        s.collect_seq(values.iter().map(AsText::put))
    }

    pub(crate) fn deserialize<'de, T: AsText, D: Deserializer<'de>>(
        d: D,
    ) -> Result<Vec<T>, D::Error> {
        Vec::<String>::deserialize(d)?
            .iter()
            .map(|t| read(t))
            .collect()
    }
}
