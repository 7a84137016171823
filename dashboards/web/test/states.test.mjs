// States that a running service does not show on demand: its answers are replaced on their way to the page.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { assessed, axe, go, launch, loopPath, noSideways, open, picture, plain, settled } from "./browser.mjs";

let browser;
let real;

before(async () => {
  real = await assessed();
  browser = await launch();
});
after(async () => browser?.close());

/** Replaces the answer of /api/v1/attention and keeps the event stream closed, so that only asking again brings news. */
async function answering(page, reply) {
  await page.route("**/api/v1/events", (route) => route.abort());
  await page.route("**/api/v1/attention*", (route) => reply(route));
}
const json = (body) => (route) => route.fulfill({ status: 200, contentType: "application/json", body: JSON.stringify(body) });
/** Refused requests are console errors of the browser; what the page itself does wrong is not among them. */
const own = (page) => page.faults.filter((f) => !/Failed to load resource|ERR_FAILED/.test(f));

function finding(tag) {
  return {
    id: `${tag}:no-reply`, kind: "no-reply", cause: null, signal: null, onset: real.to, onset_low: real.to, onset_high: real.to, ended: null,
    deviation_pct: null, rate_pct_per_day: null, reaches_tolerance_at: null, reaches_tolerance_low: null, reaches_tolerance_high: null,
    confidence: 0.9, ne107: null, common_cause: null, summary: "No answer.", evidence: {}, checks: ["Look."], cautions: [],
  };
}
function row(i, tag) {
  return {
    rank: i + 1, tag, score: 1 - i / 20_000, why: "No answer.", terms: { real: 0.9, purpose: 0.67, soon: 1, lasting: 1 },
    criticality: "control", area: `Area ${i % 9}`, service: `Invented service ${i}`, common_cause: null, findings: [finding(tag)],
  };
}
const rows = (n) => Array.from({ length: n }, (_, i) => row(i, `FT-${String(10_000 + i)}`));

test("nothing found, nothing stored, no analog: each is a sentence", async () => {
  const none = { ...real, attention: [], common_causes: [] };
  const states = {
    quiet: none,
    empty: { ...none, from: null, to: null, loops: 0, readings: 0, not_judged: [] },
    "no-analog": { ...none, not_judged: rows(20).map((r) => ({ tag: r.tag, what: "analog-digital-drift", why: "no analog source" })) },
  };
  for (const [name, body] of Object.entries(states)) {
    const page = await open(browser);
    await answering(page, json(body));
    await go(page, "/");
    await settled(page);
    assert.ok(plain(await page.locator("main h1").innerText()).length > 10, name);
    await axe(page, name);
    assert.deepEqual(own(page), [], name);
    await picture(page, `state-${name}`);
    await page.context().close();
  }
});

test("a refusal is shown in the service's own words", async () => {
  const page = await open(browser);
  const detail = "the first assessment since the start is running (12 % done)";
  await answering(page, (route) =>
    route.fulfill({ status: 503, contentType: "application/problem+json", body: JSON.stringify({ title: "not available yet", status: 503, detail }) }),
  );
  await go(page, "/");
  await page.waitForFunction(() => /12 % done/.test(document.body.innerText.replace(/\s+/g, " ")));
  await axe(page, "refusal");
  await picture(page, "state-starting");
  await page.context().close();
});

test("when the service stops answering the page says so and keeps what it has", { timeout: 90_000 }, async () => {
  const page = await open(browser);
  let up = true;
  await answering(page, (route) => (up ? json({ ...real, attention: rows(3), common_causes: [] })(route) : route.abort()));
  await go(page, "/");
  await settled(page);
  await page.locator(`main a[href="${loopPath("FT-10000")}"]`).first().waitFor();
  up = false;
  const notice = page.getByRole("status").filter({ hasText: "does not answer" });
  await notice.waitFor({ timeout: 45_000 });
  assert.ok(await page.locator(`main a[href="${loopPath("FT-10000")}"]`).first().isVisible());
  await axe(page, "stale");
  await picture(page, "state-stale");
  up = true;
  await notice.waitFor({ state: "detached", timeout: 45_000 });
  await page.context().close();
});

test("a gateway out of reach is named with its reason, at both widths", async () => {
  const failures = { timeouts: 3, refused: 0, bad_frames: 1, late_answers: 2, comm_errors: 4, no_reply: 51_234, disconnects: 7 };
  const gateways = [
    { name: "GW-01", connected: true, sessions: 1, devices: 60, planned_per_s: 1.5, achieved_per_s: 1.48, late_s: 0.4, master: "primary", modems: [{ modem: 0, devices: 60, planned_load: 0.43, achieved_load: 0.42 }], failures: {}, readings_lost: 0, last_error: null },
    { name: "GW-02", connected: false, sessions: 0, devices: 58, planned_per_s: 1.45, achieved_per_s: 0, late_s: 312, master: null, modems: [], failures, readings_lost: 0, last_error: "connection refused by 127.0.0.1:5094" },
  ];
  for (const width of [1280, 390]) {
    const page = await open(browser, { width });
    await page.route("**/api/v1/gateways", json({ gateways }));
    await go(page, "/collection");
    await settled(page);
    const reason = page.getByText(/connection refused/).filter({ visible: true });
    await reason.waitFor();
    const box = await reason.boundingBox();
    assert.ok(box !== null && box.x >= 0 && box.x + box.width <= width, `the reason is in sight at ${width} px`);
    await axe(page, `collection ${width}`);
    await noSideways(page, `collection ${width}`);
    assert.deepEqual(own(page), []);
    await picture(page, `state-gateways-${width}`);
    await page.context().close();
  }
});

/** A family of `members` loops; the last `after` weeks with `open` of them. */
function family(name, members, open, change) {
  const end = Date.parse(real.to);
  const i = (value) => ({ value, low: Math.max(0, value - 0.2), high: Math.min(1, value + 0.2) });
  const weeks = Array.from({ length: 8 }, (_, k) => ({
    from: new Date(end - (8 - k) * 604_800_000).toISOString(), to: new Date(end - (7 - k) * 604_800_000).toISOString(),
    loops: members, open: k < 5 ? 0 : open, share: i(k < 5 ? 0 : open / members), begun: k === 5 ? open : 0,
  }));
  const loops = Array.from({ length: members }, (_, n) => ({ tag: `${name}-${n}`, rate_pct_per_day: n < open ? -0.04 : 0.001, failed_share: 0.004, kinds: n < open ? ["analog-digital-drift"] : [], since: n < open ? real.to : null }));
  return {
    scope: "device_revision", name, members, begun: open, weeks, change, loops,
    rate: { loops: members, mean: { raw: { value: -0.02, low: -0.03, high: -0.01 }, pooled: { value: -0.018, low: -0.028, high: -0.008 } }, p10: -0.04, median: -0.01, p90: 0.001 },
    findings: { loops: open, of: members, share: { raw: i(open / members), pooled: i(0.8 * (open / members)) } },
    errors: { loops: members, failed: 40, polls: 10_000, share: { raw: null, pooled: null } },
  };
}

test("a family that is getting worse is the sentence of its sheet, with since when", async () => {
  const t = (days) => new Date(Date.parse(real.to) - days * 86_400_000).toISOString();
  const worse = { direction: "worse", evidenced: true, since: t(20), since_low: t(23), since_high: t(18), before_per_100_loop_weeks: 0.2, after_per_100_loop_weeks: 21.4, p_value: 0.0004 };
  const chance = { ...worse, evidenced: false, p_value: 0.7 };
  const fleet = { scope: "device_revision", families: 3, rate_pct_per_day: { value: -0.003, low: -0.01, high: 0.004 }, finding_share: { value: 0.2, low: 0.1, high: 0.4 }, failed_share: null, loop_scatter_pct_per_day: 0.01 };
  const body = { from: real.from, to: real.to, days: 90, kind: null, without_type: 1, explained_elsewhere: 2, fleet: [fleet], families: [family("0xFA42/5", 14, 9, worse), family("0x1B07/1", 40, 3, chance), family("0x2C01/<b>", 1, 0, null)], method: ["One.", "Two."] };
  for (const [width, scheme] of [[1280, "light"], [390, "dark"]]) {
    const page = await open(browser, { width, scheme });
    await page.route("**/api/v1/families*", json(body));
    await go(page, "/families");
    await settled(page);
    assert.match(plain(await page.locator("h1").innerText()), /^0xFA42\/5 has been getting worse since \d+ \w+/);
    const rows = page.locator("section.fam");
    assert.equal(await rows.count(), 3);
    assert.match(plain(await rows.nth(0).innerText()), /9 of 14 loops.*Getting worse since/);
    assert.match(plain(await rows.nth(1).innerText()), /No change is shown/);
    // No traffic lights: every mark is ink, and each has a name that says it.
    const names = await page.locator("main svg[role=img]").evaluateAll((all) => all.map((s) => s.getAttribute("aria-label") ?? ""));
    assert.ok(names.length >= 6 && names.every((n) => n.length > 10), names.join("; "));
    await axe(page, `families ${width}`);
    await noSideways(page, `families ${width}`);
    assert.deepEqual(own(page), []);
    await picture(page, `state-families-${width}`);
    await page.context().close();
  }
});

test("on paper the list has no navigation and nothing sticks out", async () => {
  const page = await open(browser, { width: 1000 });
  await answering(page, json({ ...real, attention: rows(12), common_causes: [] }));
  await go(page, "/");
  await settled(page);
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.locator("nav").first().isVisible(), false);
  await noSideways(page, "print");
  await picture(page, "state-print", { whole: false });
  await page.context().close();
});

test("ten thousand rows stay quick", async (t) => {
  const page = await open(browser);
  await answering(page, json({ ...real, loops: 10_000, attention: rows(10_000), common_causes: [] }));
  const began = Date.now();
  await go(page, "/");
  await page.locator(`main a[href="${loopPath("FT-10000")}"]`).first().waitFor();
  const shownMs = Date.now() - began;
  const nodes = await page.evaluate(() => document.querySelectorAll("*").length);
  t.diagnostic(`first row after ${shownMs} ms, ${nodes} elements`);
  assert.ok(shownMs < 8_000, `the first row came after ${shownMs} ms`);
  assert.ok(nodes < 40_000, `${nodes} elements`);

  const find = page.getByRole("searchbox").or(page.locator('main input[type="text"], main input:not([type])')).first();
  const typed = Date.now();
  await find.fill("FT-19997");
  await page.locator(`main a[href="${loopPath("FT-19997")}"]`).first().waitFor();
  await page.locator(`main a[href="${loopPath("FT-10000")}"]`).first().waitFor({ state: "detached" });
  const foundMs = Date.now() - typed;
  t.diagnostic(`found among them after ${foundMs} ms`);
  assert.ok(foundMs < 3_000, `found after ${foundMs} ms`);
  assert.match(page.url(), /FT-19997/, "the filter stands in the address");
  await find.fill("no loop has this name");
  await page.waitForFunction(() => /without the filter/.test(document.body.innerText));
  await noSideways(page, "10,000 rows");
  assert.deepEqual(own(page), []);
  await page.context().close();
});

test("names from the site are text, whatever they hold", async () => {
  const evil = "<img src=x onerror=alert(1)>/#?é"; // 32 characters, the longest tag
  const page = await open(browser, { width: 390 });
  page.on("dialog", (d) => {
    page.faults.push(`dialog: ${d.message()}`);
    void d.dismiss();
  });
  const odd = { ...row(0, evil), why: `${evil} stands.`, service: evil, area: evil };
  await answering(page, json({ ...real, site: { name: evil, timezone: "No/Such_Zone" }, attention: [odd, row(1, "PT-1")], common_causes: [] }));
  await go(page, "/");
  await page.locator(`main a[href="${loopPath(evil)}"]`).first().waitFor();
  assert.equal(await page.locator("main img").count(), 0);
  await noSideways(page, "odd names");
  assert.deepEqual(own(page), []);
  await page.context().close();
});
