//! Tells the person on call: one alert a case, so one for ten loops with one cause.
//!
//! `settings` is `[alerts]` of `site.toml`; `desk` decides, purely, what is to be told; `send` brings it to an
//! Alertmanager or a webhook. Nothing is kept on the disk: after a start the cases that call are told again.

mod desk;
mod send;
mod settings;

pub use desk::{Alert, Call, Desk, MANY, calls};
pub use send::{SendError, Sender, alertmanager_body, webhook_body};
pub use settings::{AlertSettings, RawAlerts, Target};

use crate::clock;
use crate::service::blocking;
use crate::state::Shared;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// How often the cases are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// After a failed delivery; doubled up to the longest.
const RETRY_FIRST: Duration = Duration::from_secs(5);
const RETRY_LONGEST: Duration = Duration::from_secs(300);

/// Looks at the cases now and then, and tells what changed, until `shutdown`.
pub async fn tell(shared: Arc<Shared>, settings: AlertSettings, shutdown: CancellationToken) {
    let sender = Arc::new(Sender::new(&settings));
    let mut desk = Desk::default();
    let mut pause = LOOK_EVERY;
    let mut retry = RETRY_FIRST;
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
        // Before the first assessment nothing is known, also not that something is over.
        let Some(current) = shared.current() else {
            continue;
        };
        let cases = match shared.book.cases() {
            Ok(cases) => cases,
            Err(e) => {
                tracing::error!("alerts cannot follow the cases: failed to {e}");
                continue;
            }
        };
        let now = clock::now();
        let calling = calls(&cases, &current.assessed.result, &settings, now);
        let round = desk.round(&calling, &settings, now);
        shared.metrics.alerts_firing(round.firing.len());
        if !round.is_due() {
            pause = LOOK_EVERY;
            continue;
        }
        let (site, post, sent) = (shared.site.name.clone(), sender.clone(), round.clone());
        let outcome = blocking(move || Ok(post.send(&site, &sent, now)?)).await;
        shared.metrics.alert_delivery(outcome.is_ok());
        match outcome {
            Ok(()) => {
                for a in &round.began {
                    tracing::info!("told {}: {}", settings.target.url(), a.summary);
                }
                desk.delivered(round, now);
                (pause, retry) = (LOOK_EVERY, RETRY_FIRST);
            }
            Err(e) => {
                tracing::error!(
                    "cannot tell {} of {} alerts, trying again in {} s: {e:#}",
                    settings.target.url(),
                    round.firing.len(),
                    retry.as_secs()
                );
                pause = retry;
                retry = (retry * 2).min(RETRY_LONGEST);
            }
        }
    }
}
