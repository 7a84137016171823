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
    { name: "GW-01", connected: true, sessions: 1, devices: 60, planned_per_s: 1.5, achieved_per_s: 1.48, late_s: 0.4, failures: {}, last_error: null },
    { name: "GW-02", connected: false, sessions: 0, devices: 58, planned_per_s: 1.45, achieved_per_s: 0, late_s: 312, failures, last_error: "connection refused by 127.0.0.1:5094" },
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
