//! All cases of a site: the fold of the whole event log.

use crate::case::{Case, Close};
use crate::event::{Event, Key, Refused, What};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Cases by id; a clone shares what did not change.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cases {
    by_id: BTreeMap<String, Arc<Case>>,
    /// The newest case about each key.
    newest: BTreeMap<Key, String>,
}

impl Cases {
    /// Takes one event, or says why not and stays as it was.
    pub fn apply(&mut self, event: &Event) -> Result<(), Refused> {
        if let What::Opened { key, .. } = &event.what {
            if self.by_id.contains_key(&event.case) {
                return Err(Refused::Exists {
                    id: event.case.clone(),
                });
            }
            if let Some(open) = self.about(key).filter(|c| c.is_open()) {
                return Err(Refused::OpenAlready {
                    id: open.id.clone(),
                });
            }
            let case = Case::open(event)?;
            self.newest.insert(key.clone(), case.id.clone());
            self.by_id.insert(case.id.clone(), Arc::new(case));
            return Ok(());
        }
        let Some(case) = self.by_id.get_mut(&event.case) else {
            return Err(Refused::NoSuchCase {
                id: event.case.clone(),
            });
        };
        // A case that is closed comes back only if none has taken its place.
        if matches!(event.what, What::Returned { .. })
            && self
                .newest
                .get(&case.key)
                .is_some_and(|id| *id != event.case)
        {
            return Err(Refused::State {
                what: event.what.name(),
                state: "closed",
                hint: "a newer case is about the same",
            });
        }
        Arc::make_mut(case).apply(event)
    }

    /// In order of id.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Arc<Case>> {
        self.by_id.values()
    }

    /// After this id, in order.
    pub fn after<'a>(&'a self, id: &'a str) -> impl Iterator<Item = &'a Arc<Case>> {
        use std::ops::Bound::{Excluded, Unbounded};
        self.by_id
            .range::<str, _>((Excluded(id), Unbounded))
            .map(|(_, c)| c)
    }

    pub fn get(&self, id: &str) -> Option<&Arc<Case>> {
        self.by_id.get(id)
    }

    pub fn len(&self) -> usize {
        self.by_id.len()
    }

    pub fn is_empty(&self) -> bool {
        self.by_id.is_empty()
    }

    /// The newest case about `key`, open or not.
    pub fn about(&self, key: &Key) -> Option<&Arc<Case>> {
        self.newest.get(key).and_then(|id| self.by_id.get(id))
    }

    /// Cases that the adoption of another put under this one.
    pub fn under<'a>(&'a self, id: &'a str) -> impl Iterator<Item = &'a Arc<Case>> {
        self.iter()
            .filter(move |c| matches!(&c.closed, Some((_, Close::Adopted { into })) if into == id))
    }

    /// An id that no case has yet, for a case named `base`.
    pub(crate) fn free_id(&self, base: &str) -> String {
        let mut id = base.to_owned();
        let mut n = 1_u32;
        while self.by_id.contains_key(&id) {
            n = n.saturating_add(1);
            id = format!("{base}:{n}");
        }
        id
    }
}
