//! `/metrics`: counts and durations of the service in Prometheus text format 0.0.4.
//!
//! Labels are bounded: gateways, their modems and kinds, never a tag.

use crate::state::GatewayView;
use analytics_cases::{Cases, Shown};
use analytics_detect::{Assessment, Kind};
use ingest_model::UtcMicros;
use prometheus::core::Collector;
use prometheus::{
    Gauge, GaugeVec, Histogram, HistogramOpts, IntCounter, IntCounterVec, IntGauge, IntGaugeVec,
    Opts, Registry,
};

/// All metrics of one service.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    gateway_up: IntGaugeVec,
    gateway_late_s: GaugeVec,
    gateway_planned: GaugeVec,
    gateway_achieved: GaugeVec,
    modem_load: GaugeVec,
    gateway_failures: IntCounterVec,
    readings_accepted: IntCounter,
    landing_lag_s: Histogram,
    assessment_s: Histogram,
    statistics_s: Histogram,
    assessment_failures: IntCounter,
    assessed_at_s: Gauge,
    findings: IntGaugeVec,
    attention: IntGauge,
    not_judged: IntGauge,
    loops: IntGauge,
    cases: IntGaugeVec,
    case_failures: IntCounter,
    alerts_firing: IntGauge,
    alert_deliveries: IntCounterVec,
}

impl Default for Metrics {
    fn default() -> Self {
        Self::new()
    }
}

impl Metrics {
    // Names and help are constants below: a failure to build them is a mistake in this file, shown by any test.
    #[expect(clippy::expect_used, reason = "constant names; no outside data")]
    pub fn new() -> Self {
        let registry = Registry::new();
        fn put<C: Collector + Clone + 'static>(
            registry: &Registry,
            made: prometheus::Result<C>,
        ) -> C {
            let metric = made.expect("constant metric");
            registry
                .register(Box::new(metric.clone()))
                .expect("distinct metric");
            metric
        }
        let r = &registry;
        let build = put(
            r,
            IntGaugeVec::new(
                Opts::new(
                    "loopwitness_build_info",
                    "Version of this program; always 1.",
                ),
                &["version"],
            ),
        );
        build.with_label_values(&[env!("CARGO_PKG_VERSION")]).set(1);
        Self {
            gateway_up: put(
                r,
                IntGaugeVec::new(
                    Opts::new(
                        "loopwitness_gateway_up",
                        "1 while a session with the gateway is open.",
                    ),
                    &["gateway"],
                ),
            ),
            gateway_late_s: put(
                r,
                GaugeVec::new(
                    Opts::new(
                        "loopwitness_gateway_late_seconds",
                        "How far the polling plan is behind.",
                    ),
                    &["gateway"],
                ),
            ),
            gateway_planned: put(
                r,
                GaugeVec::new(
                    Opts::new(
                        "loopwitness_gateway_planned_reads_per_second",
                        "Fast reads a second that the polling plan asks for.",
                    ),
                    &["gateway"],
                ),
            ),
            gateway_achieved: put(
                r,
                GaugeVec::new(
                    Opts::new(
                        "loopwitness_gateway_achieved_reads_per_second",
                        "Fast reads a second over the last minute.",
                    ),
                    &["gateway"],
                ),
            ),
            modem_load: put(
                r,
                GaugeVec::new(
                    Opts::new(
                        "loopwitness_modem_load_ratio",
                        "Share of the modem's time at 1200 bit/s, as planned and over the last minute.",
                    ),
                    &["gateway", "modem", "kind"],
                ),
            ),
            gateway_failures: put(
                r,
                IntCounterVec::new(
                    Opts::new(
                        "loopwitness_gateway_failures_total",
                        "Failures seen with the gateway.",
                    ),
                    &["gateway", "kind"],
                ),
            ),
            readings_accepted: put(
                r,
                IntCounter::new(
                    "loopwitness_readings_accepted_total",
                    "Readings whose landing commit returned.",
                ),
            ),
            landing_lag_s: put(
                r,
                Histogram::with_opts(
                    HistogramOpts::new(
                        "loopwitness_landing_lag_seconds",
                        "From the end of the newest exchange of a batch to its commit.",
                    )
                    .buckets(vec![0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0]),
                ),
            ),
            assessment_s: put(
                r,
                Histogram::with_opts(
                    HistogramOpts::new(
                        "loopwitness_assessment_seconds",
                        "Duration of an assessment.",
                    )
                    .buckets(vec![0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0]),
                ),
            ),
            statistics_s: put(
                r,
                Histogram::with_opts(
                    HistogramOpts::new(
                        "loopwitness_statistics_seconds",
                        "Duration of the statistics over the whole record, where they are made apart.",
                    )
                    .buckets(vec![0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0]),
                ),
            ),
            assessment_failures: put(
                r,
                IntCounter::new(
                    "loopwitness_assessment_failures_total",
                    "Assessments that failed.",
                ),
            ),
            assessed_at_s: put(
                r,
                Gauge::new(
                    "loopwitness_assessed_at_seconds",
                    "When the newest assessment was done, Unix time.",
                ),
            ),
            findings: put(
                r,
                IntGaugeVec::new(
                    Opts::new("loopwitness_findings", "Findings that have not ended."),
                    &["kind"],
                ),
            ),
            attention: put(
                r,
                IntGauge::new("loopwitness_attention_rows", "Loops in the ranked list."),
            ),
            not_judged: put(
                r,
                IntGauge::new(
                    "loopwitness_not_judged_rows",
                    "Loops or kinds that the watch could not judge.",
                ),
            ),
            loops: put(
                r,
                IntGauge::new("loopwitness_loops", "Loops in the newest assessment."),
            ),
            cases: put(
                r,
                IntGaugeVec::new(
                    Opts::new("loopwitness_cases", "Open cases by state."),
                    &["state"],
                ),
            ),
            alerts_firing: put(
                r,
                IntGauge::new("loopwitness_alerts_firing", "Alerts that call now."),
            ),
            alert_deliveries: put(
                r,
                IntCounterVec::new(
                    Opts::new(
                        "loopwitness_alert_deliveries_total",
                        "Messages to the target of alerts, by outcome (ok, failed).",
                    ),
                    &["outcome"],
                ),
            ),
            case_failures: put(
                r,
                IntCounter::new(
                    "loopwitness_case_log_failures_total",
                    "Assessments that the log of cases could not follow.",
                ),
            ),
            registry,
        }
    }

    /// A batch of readings was accepted at `now`.
    pub fn accepted(&self, count: usize, newest: UtcMicros, now: UtcMicros) {
        self.readings_accepted.inc_by(count as u64);
        self.landing_lag_s
            .observe(now.seconds_since(newest).max(0.0));
    }

    /// Readings accepted since the start.
    pub fn accepted_count(&self) -> u64 {
        self.readings_accepted.get()
    }

    pub fn assessment_took(&self, seconds: f64) {
        self.assessment_s.observe(seconds);
    }

    pub fn statistics_took(&self, seconds: f64) {
        self.statistics_s.observe(seconds);
    }

    pub fn assessment_failed(&self) {
        self.assessment_failures.inc();
    }

    /// Counts of a new result.
    pub fn result(&self, result: &Assessment, at: UtcMicros) {
        self.assessed_at_s.set(at.0 as f64 / 1e6);
        self.attention.set(result.attention.len() as i64);
        self.not_judged.set(result.not_judged.len() as i64);
        self.loops.set(result.loops as i64);
        for kind in Kind::ALL {
            let open = result
                .attention
                .iter()
                .flat_map(|row| &row.findings)
                .filter(|f| f.kind == kind && f.ended.is_none())
                .count();
            self.findings
                .with_label_values(&[kind.as_str()])
                .set(open as i64);
        }
    }

    /// Counts of the open cases.
    pub fn cases(&self, cases: &Cases, now: UtcMicros) {
        for state in Shown::ALL {
            if matches!(state, Shown::Proved | Shown::Closed) {
                continue;
            }
            let count = cases.iter().filter(|c| c.shown(now) == state).count();
            self.cases
                .with_label_values(&[state.as_str()])
                .set(count as i64);
        }
    }

    pub fn case_log_failed(&self) {
        self.case_failures.inc();
    }

    pub fn alerts_firing(&self, count: usize) {
        self.alerts_firing.set(count as i64);
    }

    pub fn alert_delivery(&self, arrived: bool) {
        let outcome = if arrived { "ok" } else { "failed" };
        self.alert_deliveries.with_label_values(&[outcome]).inc();
    }

    /// Text format 0.0.4, with the gateways as they are now.
    pub fn render(&self, gateways: &[GatewayView]) -> Result<String, prometheus::Error> {
        for g in gateways {
            self.gateway_up
                .with_label_values(&[g.name.as_str()])
                .set(i64::from(g.connected));
            self.gateway_late_s
                .with_label_values(&[g.name.as_str()])
                .set(g.late_s);
            self.gateway_planned
                .with_label_values(&[g.name.as_str()])
                .set(g.planned_per_s);
            self.gateway_achieved
                .with_label_values(&[g.name.as_str()])
                .set(g.achieved_per_s);
            for m in &g.modems {
                let modem = m.modem.to_string();
                for (kind, load) in [("planned", m.planned_load), ("achieved", m.achieved_load)] {
                    self.modem_load
                        .with_label_values(&[g.name.as_str(), modem.as_str(), kind])
                        .set(load);
                }
            }
            for (kind, count) in g.failures.each() {
                let counter = self
                    .gateway_failures
                    .with_label_values(&[g.name.as_str(), kind]);
                // The collector counts; this only follows it.
                counter.inc_by(count.saturating_sub(counter.get()));
            }
        }
        prometheus::TextEncoder::new().encode_to_string(&self.registry.gather())
    }
}
