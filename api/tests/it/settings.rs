//! `[assessment]` and `[limits]` of `site.toml`.

use loopwitness::config::SiteConfig;
use loopwitness::state::Limits;
use std::path::Path;

fn site(section: &str, text: &str) -> Result<SiteConfig, String> {
    let text = format!("[site]\nname = \"S\"\n[{section}]\n{text}\n");
    SiteConfig::parse(&text, Path::new("site.toml")).map_err(|e| e.to_string())
}

fn parse(text: &str) -> Result<analytics_assess::Settings, String> {
    site("assessment", text).map(|c| c.assessment)
}

#[test]
fn given_values_stand_and_the_rest_is_default() {
    let s = parse("weights = { control = 0.5 }\nne107 = { more-status-available = \"maintenance-required\", loop-current-saturated = \"none\" }").unwrap();
    assert_eq!(
        (s.params.weights.control, s.params.weights.safety),
        (0.5, 1.0)
    );
    assert_ne!(s.params.status, analytics_detect::StatusMap::default());
    assert_eq!(
        parse("").unwrap().params.weights,
        analytics_detect::Weights::default()
    );
}

#[test]
fn the_budget_moves_the_thresholds() {
    use analytics_detect::Test;
    let at = |text: &str| analytics_detect::Limits::new(parse(text).unwrap().params.budget);
    let usual = at("");
    assert_eq!(usual, analytics_detect::Limits::default());
    let strict = at("false_findings_per_1000_loop_months = 0.1");
    let loose = at("false_findings_per_1000_loop_months = 10");
    for t in Test::ALL {
        assert!(
            strict.at(t) > usual.at(t) && usual.at(t) > loose.at(t),
            "{t:?}"
        );
    }
    let rare = at("faults_per_1000_loop_months = 2");
    let s = usual.at(Test::DriftLasting);
    assert!(rare.confidence(Test::DriftLasting, s) < usual.confidence(Test::DriftLasting, s));
}

#[test]
fn wrong_values_say_what_to_do() {
    for (text, says) in [
        (
            "weights = { control = 2.0 }",
            "weights.control: 2 is not between 0 and 1",
        ),
        (
            "false_findings_per_1000_loop_months = 0",
            "false_findings_per_1000_loop_months: 0 is not between",
        ),
        ("weights = { contrl = 1.0 }", "unknown key `contrl`"),
        (
            "ne107 = { loop-current = \"failure\" }",
            "no status bit that can be mapped; there are primary-variable-out-of-limits",
        ),
        (
            "ne107 = { cold-start = \"failure\" }",
            "no status bit that can be mapped",
        ),
        (
            "ne107 = { device-malfunction = \"red\" }",
            "unknown variant `red`",
        ),
    ] {
        let said = parse(text).unwrap_err();
        assert!(said.contains(says), "{said}");
    }
}

fn limits(text: &str) -> Result<Limits, String> {
    let config = site("limits", text)?;
    assert_eq!(
        config.assessment.memory_bytes,
        config.limits.assessment_bytes
    );
    Ok(config.limits)
}

#[test]
fn limits_have_defaults_and_bounds_of_their_own() {
    let none = limits("").unwrap();
    assert_eq!(none, Limits::default());
    let some = limits(
        "points = 5000\nlong_answers = 4\nrequest_body = \"128K\"\nassessment_memory = \"64M\"",
    )
    .unwrap();
    assert_eq!((some.points, some.long_answers), (5_000, 4));
    assert_eq!(some.request_body_bytes, 128 << 10);
    assert_eq!(some.assessment_bytes, 64 << 20);
    assert_eq!(some.import_bytes, none.import_bytes);
    for (text, says) in [
        ("points = 2000000", "points: 2000000 is not 1 to 1000000"),
        ("long_answers = 0", "long_answers: 0 is not 1 to 1000"),
        (
            "import_memory = \"64M\"",
            "import_memory: `64M` is not 128M to 1024G",
        ),
        (
            "assessment_memory = \"lots\"",
            "assessment_memory: `lots` is not a size like 256M or 1G",
        ),
        (
            "request_body = \"2G\"",
            "request_body: `2G` is not 1K to 1G",
        ),
        ("request_bodies = \"2G\"", "unknown key `request_bodies`"),
    ] {
        let said = limits(text).unwrap_err();
        assert!(said.contains(says), "{said}");
    }
}
