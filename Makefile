# `make demo` shows it, `make test` proves it, `make lint` keeps it tidy. Nothing is installed but what a target needs.

WEB := dashboards/web
WEB_SOURCES := $(shell find $(WEB)/src $(WEB)/public -type f 2>/dev/null) \
	$(wildcard $(WEB)/*.html $(WEB)/*.json $(WEB)/*.ts $(WEB)/*.mjs) api/openapi.json
# Options of the demo: make demo DEMO="--days 7 --loops 60 --port 8471"
DEMO ?=

.PHONY: demo web build test tls web-test pictures page-figures api-contract referee latency seeds seeds-held-out form-limit detectable thresholds calibration power chaos fuzz lint tools clean-web
.DEFAULT_GOAL := demo

demo: web
	cargo build --workspace
	@exec target/debug/loopwitness demo $(DEMO)

# The page first: the binary embeds it.
web: tools $(WEB)/dist/index.html

$(WEB)/node_modules/.stamp: $(WEB)/package-lock.json $(WEB)/package.json
	cd $(WEB) && npm ci --no-audit --no-fund
	@touch $@

$(WEB)/dist/index.html: $(WEB)/node_modules/.stamp $(WEB_SOURCES)
	cd $(WEB) && npm run build
	@touch $@

build: web
	cargo build --workspace --all-targets

test: build
	cargo test --workspace --no-fail-fast
	.ci/tls
	.ci/web-test
	.ci/api-contract
	.ci/referee
	.ci/instructions

# The browser test alone, against what is built.
web-test: build
	.ci/web-test

# Pictures of every page, to be looked at: target/pictures; make pictures PICTURES=--readme makes the README's two as well.
PICTURES ?=
pictures: build
	.ci/pictures $(PICTURES)

# First paint, filter and a year's trace with 10,000 loops (docs/pages.md); a table, no test.
page-figures: build
	.ci/page-figures

# The service against its own OpenAPI document, alone.
api-contract: build
	.ci/api-contract

# HART-IP version 2 through `openssl s_server`, alone (docs/hart-ip-tls.md).
tls:
	.ci/tls

# Latency and memory of the API on 1,000 loops x 30 days (docs/api-latency.md); a table, no test.
latency: build
	.ci/latency

# What everything costs beside what else could be done with the same data (docs/performance.md); half an hour. Installs
# the other engines into target/bench. make bench BENCH="--only assess,import"
BENCH ?= --table docs/performance.md
bench: build
	nice -n 15 python3 tests/bench/run.py $(BENCH)

# The same on little data, to see whether it still runs.
bench-quick: build
	python3 tests/bench/run.py --quick

# A packet analyser against our decoders (docs/referee.md).
referee: build
	.ci/referee

# The detectors on 27 fleets of our own (about 5 minutes on two cores; Python 3.11 or newer); make seeds SEEDS="--only hard".
SEEDS ?= --table docs/seeds.md
seeds: web
	cargo build --workspace --bin loopwitness --example write_site
	python3 sample-fleet/seeds/run.py $(SEEDS)

# The table of thresholds and in-control run lengths (docs/thresholds.md).
thresholds:
	cargo build -p analytics-detect --example thresholds
	target/debug/examples/thresholds docs/thresholds.md

# Tails of the tests in healthy running, then whether confidence keeps its word (docs/calibration.md); half an hour.
calibration: web
	cargo build --workspace --bin loopwitness --example write_site
	python3 sample-fleet/seeds/calibrate.py tails
	cargo build --workspace --bin loopwitness
	python3 sample-fleet/seeds/calibrate.py reliability

# The whole program among hostile gateways for so many minutes (docs/hostile-gateways.md): make chaos MINUTES=30
MINUTES ?= 15
CHAOS ?=
chaos: build
	target/debug/examples/chaos --minutes $(MINUTES) $(CHAOS)

# Coverage-guided fuzzing of every target for so many seconds, on stable Rust; finds go to tests/fuzz/finds.
SECONDS ?= 60
fuzz:
	.ci/fuzz $(SECONDS)

# Power curves of the detectors: pictures and a table in docs/detectors/power (some minutes).
power:
	cargo build -p analytics-detect --example power
	target/debug/examples/power docs/detectors/power $(POWER)

# The same on 139 fleets that nobody tunes on (docs/seeds-held-out.md; some 20 minutes).
seeds-held-out:
	$(MAKE) seeds SEEDS="--fleets sample-fleet/seeds/held-out.toml --work target/seeds-held-out --table docs/seeds-held-out.md"

# How well offset and span can be told apart at all (docs/form-limit.md; minutes).
form-limit:
	cargo build -p loopwitness-tests --example form_limit
	target/debug/examples/form_limit --out docs/form-limit.md

# What the watch claims to find against what it finds on 50 sound fleets (minutes); make detectable DETECTABLE="--fleets 5".
DETECTABLE ?=
detectable:
	cargo build --workspace --example detectable
	nice -n 15 target/debug/examples/detectable $(DETECTABLE)

lint:
	cargo fmt --all --check
	cargo clippy --workspace --all-targets -- -D warnings

tools:
	@command -v cargo >/dev/null || { echo "cargo is missing: install Rust 1.95 or newer" >&2; exit 1; }
	@command -v npm >/dev/null || { echo "npm is missing: install Node 20 or newer" >&2; exit 1; }
	@node -e 'process.exit(+process.versions.node.split(".")[0] >= 20 ? 0 : 1)' || { echo "Node 20 or newer is needed" >&2; exit 1; }

clean-web:
	rm -rf $(WEB)/dist $(WEB)/node_modules
