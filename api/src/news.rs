//! What the service tells its listeners: numbered items, the newest ones kept, so that a listener that was away for a
//! moment misses none, and one that was away for long begins with the newest of each kind.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::broadcast::{self, Receiver, Sender};

/// Items kept for those who come back.
const KEPT: usize = 64;

/// One item.
#[derive(Debug, PartialEq, Eq)]
pub struct Item {
    /// Counts up from 1 at the start of the service.
    pub number: u64,
    pub kind: &'static str,
    /// JSON.
    pub data: String,
}

/// All items of one service.
#[derive(Debug)]
pub struct News {
    /// Tells the numbers of this run from those of another.
    run: String,
    kept: Mutex<Kept>,
    tell: Sender<Arc<Item>>,
}

#[derive(Debug, Default)]
struct Kept {
    last: u64,
    recent: VecDeque<Arc<Item>>,
    newest: BTreeMap<&'static str, Arc<Item>>,
}

impl Kept {
    fn newest(&self) -> Vec<Arc<Item>> {
        let mut items: Vec<_> = self.newest.values().cloned().collect();
        items.sort_unstable_by_key(|i| i.number);
        items
    }
}

impl News {
    /// `run` is another text at each start, without a dash.
    pub fn new(run: &str) -> Self {
        Self {
            run: run.to_owned(),
            kept: Mutex::default(),
            tell: broadcast::channel(KEPT).0,
        }
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Tells everyone.
    pub fn publish(&self, kind: &'static str, data: String) {
        let mut kept = self.kept();
        kept.last += 1;
        let item = Arc::new(Item {
            number: kept.last,
            kind,
            data,
        });
        if kept.recent.len() == KEPT {
            kept.recent.pop_front();
        }
        kept.recent.push_back(item.clone());
        kept.newest.insert(kind, item.clone());
        // Under the lock, so that nobody hears an item twice or in another order. Nobody listening is fine.
        let _heard = self.tell.send(item);
    }

    /// The id that a listener gives back when it comes again.
    pub fn id(&self, item: &Item) -> String {
        format!("{}-{}", self.run, item.number)
    }

    /// The newest item of each kind, in order.
    pub fn newest(&self) -> Vec<Arc<Item>> {
        self.kept().newest()
    }

    /// What a listener missed since `last_id`, and what comes from now on. Without an id, or with one of another run or
    /// too long ago, the newest of each kind: each stands for the whole state of its kind.
    pub fn listen(&self, last_id: Option<&str>) -> (Vec<Arc<Item>>, Receiver<Arc<Item>>) {
        let kept = self.kept();
        let seen = last_id
            .and_then(|id| id.split_once('-'))
            .filter(|(run, _)| *run == self.run)
            .and_then(|(_, number)| number.parse::<u64>().ok())
            .filter(|number| {
                let first = kept.recent.front().map_or(1, |i| i.number);
                (first.saturating_sub(1)..=kept.last).contains(number)
            });
        let missed = match seen {
            Some(number) => {
                let later = kept.recent.iter().filter(|i| i.number > number);
                later.cloned().collect()
            }
            None => kept.newest(),
        };
        (missed, self.tell.subscribe())
    }
}
