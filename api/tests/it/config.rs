//! `site.toml`: a good file, and bad ones with their exact messages.

use loopwitness::config::{Master, SiteConfig, parse_duration};
use std::path::Path;
use std::time::Duration;

const GOOD: &str = r#"
[site]
name = "Small Works"
store = "data/store"
timezone = "Europe/Madrid"

[[gateway]]
name = "north"
address = "127.0.0.1:5094"
poll_every = "10s"
timeout = "1500ms"
retries = 1
master = "secondary"

[[analog]]
name = "cards"
kind = "modbus-tcp"
address = "127.0.0.1:1502"
[analog.points."FT-101"]
unit = 1
register = 12
kind = "input"
raw = [0, 65535]
ma = [0.0, 24.0]
"#;

fn parse(text: &str) -> Result<SiteConfig, String> {
    SiteConfig::parse(text, Path::new("plant/site.toml")).map_err(|e| e.to_string())
}

#[test]
fn a_good_file_is_taken_and_paths_count_from_it() {
    let c = parse(GOOD).unwrap();
    assert_eq!(c.store, Path::new("plant/data/store"));
    assert_eq!(c.listen.to_string(), "127.0.0.1:8470");
    assert_eq!(c.timezone.name(), "Europe/Madrid");
    assert_eq!(c.gateways[0].poll_every, Duration::from_secs(10));
    assert_eq!(c.gateways[0].timeout, Duration::from_millis(1500));
    assert_eq!(c.gateways[0].master, Master::Secondary);
    assert_eq!(c.analogs[0].points.len(), 1);
    // No loops.csv beside it and none named.
    assert_eq!(c.register, None);
}

#[test]
fn bad_files_are_refused_with_file_section_and_reason() {
    let site = "[site]\nname = \"x\"\n";
    let with = |rest: &str| format!("{site}{rest}");
    let gateway = "[[gateway]]\nname = \"north\"\naddress = \"h:5094\"\n";
    let cases: Vec<(String, &str)> = vec![
        (
            with("[[gateway]]\nname = \"north\"\naddress = \"h:5094\"\npol_every = \"10s\"\n"),
            "plant/site.toml, line 6, [[gateway]]: unknown key `pol_every`, expected one of `name`, `address`, `transport`, `psk_identity`, `psk_file`, `psk_env`, `poll_every`, `timeout`, `retries`, `master`, `opt_in`",
        ),
        (
            with("[[gatway]]\n"),
            "unknown key `gatway`, expected one of `site`, `gateway`, `serial`, `analog`, `assessment`, `alerts`, `access`, `keep`, `limits`",
        ),
        (
            "[site]\nstore = \"s\"\n".into(),
            "plant/site.toml, line 1, [site]: missing key `name`",
        ),
        (
            with("listen = \"0.0.0.0:8470\"\n"),
            "plant/site.toml, [site]: listen `0.0.0.0:8470` is not a loopback address: give [access] with tokens, or use 127.0.0.1 or [::1]",
        ),
        (
            with("timezone = \"Mars/Olympus\"\n"),
            "timezone `Mars/Olympus` is not an IANA name (like Europe/Madrid)",
        ),
        (
            with("[access]\n"),
            "plant/site.toml, line 3, [access]: missing key `tokens`",
        ),
        (
            with("[alerts]\n"),
            "plant/site.toml, [alerts]: give one of alertmanager and webhook, an http:// address",
        ),
        (
            with("[alerts]\nwebhook = \"https://relay/x\"\n"),
            "plant/site.toml, [alerts]: webhook `https://relay/x`: this program speaks no TLS; give the http:// address of a relay on this machine",
        ),
        (
            with("[alerts]\nalertmanager = \"http://h:9093\"\ncriticality = \"high\"\n"),
            "plant/site.toml, [alerts]: criticality `high` is not `safety`, `control` or `indication`",
        ),
        (
            with("[[serial]]\nname = \"s\"\n"),
            "plant/site.toml: [[serial]] is not built yet; remove it",
        ),
        (
            with("[[gateway]]\nname = \"north\"\naddress = \"h:5094\"\npoll_every = \"10\"\n"),
            "`10` is not a duration (like \"500ms\", \"2s\", \"1m\"), above zero and at most 24h",
        ),
        (
            with("[[gateway]]\nname = \"north\"\naddress = \"h\"\n"),
            "plant/site.toml, [[gateway]] `north`: address `h` is not host:port (like 10.0.0.7:5094)",
        ),
        (
            with(&format!("{gateway}{gateway}")),
            "[[gateway]] `north`: name is used twice; each gateway and analog source needs its own",
        ),
        (
            with(&format!("{gateway}transport = \"tls\"\n")),
            "[[gateway]] `north`: psk_identity is missing: the name under which the gateway knows this program's key",
        ),
        (
            with(&format!(
                "{gateway}transport = \"tls\"\npsk_identity = \"lw\"\n"
            )),
            "[[gateway]] `north`: one of psk_file (a file with the key in hexadecimal digits) and psk_env (an environment variable with it) is needed",
        ),
        (
            with(&format!(
                "{gateway}transport = \"tls\"\npsk_identity = \"lw\"\npsk_env = \"NO_SUCH_KEY\"\n"
            )),
            "[[gateway]] `north`: psk_env: the environment variable `NO_SUCH_KEY` is not set",
        ),
        (
            with(&format!("{gateway}psk_file = \"k\"\n")),
            "[[gateway]] `north`: psk_file is for transport = \"tls\" only",
        ),
        (
            with(&format!("{gateway}opt_in = [40]\n")),
            "[[gateway]] `north`: opt_in: command 40 is not a read that can be opened: this program never sends it",
        ),
        (
            with(
                "[[analog]]\nname = \"a\"\nkind = \"modbus-tcp\"\naddress = \"h:502\"\n[analog.points.\"F\"]\nunit = 1\nregister = 0\nraw = [5, 5]\nma = [4.0, 20.0]\n",
            ),
            "[[analog]] `a`: points.\"F\": raw is [5, 5]: a scale needs two different ends",
        ),
        (
            with("[[analog]]\nname = \"a\"\nkind = \"opc-ua\"\naddress = \"h:1\"\n"),
            "[[analog]] `a`: kind other than `modbus-tcp` is not built yet",
        ),
    ];
    for (text, wanted) in cases {
        let message = parse(&text).unwrap_err();
        assert!(
            message.contains(wanted),
            "\n{text}\n gave: {message}\nwanted: {wanted}"
        );
        assert!(!message.contains('\n'), "one line: {message}");
    }
}

#[test]
fn durations() {
    assert_eq!(parse_duration("500ms"), Ok(Duration::from_millis(500)));
    assert_eq!(parse_duration("1m"), Ok(Duration::from_secs(60)));
    for bad in [
        "",
        "s",
        "0s",
        "1.5s",
        "10",
        "-2s",
        "2d",
        "99999999999999999999s",
        "25h",
        "2 parsecs",
    ] {
        assert!(parse_duration(bad).is_err(), "{bad}");
    }
}

#[test]
fn how_long_readings_are_kept() {
    let day = Duration::from_secs(86_400);
    assert_eq!(parse(GOOD).unwrap().keep_raw, 396 * day);
    let with = |text: &str| parse(&format!("{GOOD}\n[keep]\n{text}\n"));
    assert_eq!(with("raw = \"40d\"").unwrap().keep_raw, 40 * day);
    assert_eq!(with("").unwrap().keep_raw, 396 * day);
    assert_eq!(with("").unwrap().compact_after, None);
    let compact = with("compact_after = \"30d\"").unwrap().compact_after;
    assert_eq!(compact, Some(30 * day));
    for bad in [
        "raw = \"0d\"",
        "raw = \"2h\"",
        "raw = \"-1d\"",
        "raw = \"d\"",
        "compact_after = \"0d\"",
    ] {
        let error = with(bad).unwrap_err();
        assert!(
            error.contains("is not a number of days") && error.contains("[keep]"),
            "{error}"
        );
    }
    assert!(
        with("day_blocks = \"1d\"")
            .unwrap_err()
            .contains("unknown key `day_blocks`")
    );
}

#[test]
fn transports() {
    let with = |transport: &str| {
        GOOD.replace(
            "poll_every = \"10s\"",
            &format!("transport = \"{transport}\"\npoll_every = \"10s\""),
        )
    };
    let of = |text: &str| parse(text).unwrap().gateways[0].transport;
    assert_eq!(of(GOOD), ingest_collect::Transport::Tcp);
    assert_eq!(of(&with("tcp")), ingest_collect::Transport::Tcp);
    assert_eq!(of(&with("udp")), ingest_collect::Transport::Udp);
    assert!(parse(&with("serial")).is_err());
}

#[test]
fn an_analog_source_that_is_too_slow_is_named() {
    // The default period of an analog source is that of this gateway.
    let warned = parse(GOOD).unwrap().warnings();
    assert_eq!(warned.len(), 1);
    assert!(
        warned[0]
            .contains("[[analog]] `cards` is read every 10s, and [[gateway]] `north` every 10s"),
        "{}",
        warned[0]
    );
    let quick = GOOD.replace(
        "kind = \"modbus-tcp\"",
        "kind = \"modbus-tcp\"\npoll_every = \"5s\"",
    );
    assert_eq!(parse(&quick).unwrap().warnings(), Vec::<String>::new());
}
