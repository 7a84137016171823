//! What the service tells its listeners: numbered items, the newest of each kind kept. Each stands for the whole state of
//! its kind, so that a listener that was away misses nothing that still holds.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::broadcast::{self, Receiver, Sender};

/// Items that a listener may be behind; one further behind goes on with the newest of each kind.
const BEHIND: usize = 64;

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
    newest: BTreeMap<&'static str, Arc<Item>>,
}

impl Kept {
    /// Items after that number, in order.
    fn after(&self, number: u64) -> Vec<Arc<Item>> {
        let later = self.newest.values().filter(|i| i.number > number);
        let mut items: Vec<_> = later.cloned().collect();
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
            tell: broadcast::channel(BEHIND).0,
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
        self.kept().after(0)
    }

    /// The newest of each kind that a listener missed since `last_id`, and what comes from now on. Without an id, or with
    /// one of another run, the newest of all kinds.
    pub fn listen(&self, last_id: Option<&str>) -> (Vec<Arc<Item>>, Receiver<Arc<Item>>) {
        let kept = self.kept();
        let seen = last_id
            .and_then(|id| id.split_once('-'))
            .filter(|(run, _)| *run == self.run)
            .and_then(|(_, number)| number.parse::<u64>().ok())
            .filter(|number| *number <= kept.last);
        let missed = kept.after(seen.unwrap_or(0));
        (missed, self.tell.subscribe())
    }
}
