// The way a person goes, against a running service and its simulated gateway: a wire breaks, the page says so.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { assessed, axe, control, go, launch, loopPath, noSideways, open, picture, plain, read, service, settled } from "./browser.mjs";

const FOUND_WITHIN_MS = 240_000;
let browser;
let first;
/** The loop whose wire breaks here, once chosen. */
let tag = null;

before(async () => {
  service();
  control();
  first = await assessed();
  browser = await launch();
});

after(async () => {
  if (tag !== null) await fetch(`${control()}/mend?tag=${encodeURIComponent(tag)}`, { method: "POST" }).catch(() => null);
  await browser?.close();
});

async function clean(page, where) {
  await axe(page, where);
  await noSideways(page, where);
  assert.deepEqual(page.faults, [], `errors at ${where}`);
}

test("the list stands, reads from nowhere else and is accessible", async () => {
  const page = await open(browser);
  const answer = await go(page, "/");
  const policy = answer.headers()["content-security-policy"] ?? "";
  assert.match(policy, /default-src 'self'/);
  assert.doesNotMatch(policy, /unsafe-inline|unsafe-eval/);
  await settled(page);
  assert.equal(await page.locator("h1").count(), 1);
  for (const row of first.attention.filter((r) => !r.common_cause).slice(0, 5)) {
    await page.locator(`main a[href="${loopPath(row.tag)}"]`).first().waitFor();
  }
  await clean(page, "Attention, 1280, light");
  await picture(page, "attention-1280-light");
  await page.context().close();
});

for (const scheme of ["light", "dark"]) {
  for (const width of [1280, 390]) {
    for (const [name, path] of [["attention", "/"], ["families", "/families"], ["not-judged", "/not-judged"], ["collection", "/collection"]]) {
      test(`${name} at ${width} px, ${scheme}`, async () => {
        const page = await open(browser, { width, scheme });
        await go(page, path);
        await settled(page);
        await page.waitForTimeout(400);
        await clean(page, `${name}, ${width}, ${scheme}`);
        await picture(page, `${name}-${width}-${scheme}`);
        await page.context().close();
      });
    }
  }
}

/** A loop with both values, nothing found and nothing left unjudged, whose wire the simulator agrees to break. */
async function breakOne() {
  const { loops } = await read("/api/v1/loops?limit=1000");
  const newest = await read("/api/v1/attention");
  const found = new Set(newest.attention.map((r) => r.tag));
  const unjudged = new Set(newest.not_judged.map((n) => n.tag));
  const both = loops.filter((l) => !l.retired && !l.multidrop && l.last !== null && l.last.pv !== null && l.last.analog_ma !== null);
  const free = both.filter((l) => !found.has(l.tag));
  const quiet = [...free.filter((l) => !unjudged.has(l.tag)), ...free.filter((l) => unjudged.has(l.tag))];
  const refused = [];
  for (const l of quiet.slice(0, 20)) {
    const answer = await fetch(`${control()}/break?tag=${encodeURIComponent(l.tag)}&fault=broken-wire`, { method: "POST" });
    if (answer.ok) return l.tag;
    refused.push(`${l.tag}: ${answer.status} ${await answer.text()}`);
  }
  throw new Error(`no loop could be broken; ${refused.slice(0, 3).join("; ")}`);
}

test("a wire breaks: it shows on the open page, and the keyboard leads to its loop", { timeout: FOUND_WITHIN_MS + 90_000 }, async (t) => {
  const page = await open(browser);
  await go(page, "/");
  await settled(page);

  const began = Date.now();
  tag = await breakOne();
  const link = page.locator(`main a[href="${loopPath(tag)}"]`).first();
  // The page is left alone: what is new must come by itself.
  await link.waitFor({ state: "attached", timeout: FOUND_WITHIN_MS });
  t.diagnostic(`${tag} shown ${((Date.now() - began) / 1000).toFixed(0)} s after its wire broke`);
  await picture(page, "attention-broken-wire");

  if (!(await link.isVisible())) {
    const fold = page.locator("main details", { has: page.locator(`a[href="${loopPath(tag)}"]`) }).first().locator("summary").first();
    await fold.focus();
    await page.keyboard.press("Enter");
    await link.waitFor();
  }
  // With Tab alone, from the top of the document.
  await page.evaluate(() => {
    if (document.activeElement instanceof HTMLElement) document.activeElement.blur();
  });
  const reached = () => page.evaluate((href) => document.activeElement?.getAttribute("href") === href, loopPath(tag));
  for (let i = 0; i < 600 && !(await reached()); i++) await page.keyboard.press("Tab");
  assert.ok(await reached(), "the loop's link is reached by Tab");
  await page.keyboard.press("Enter");

  await page.waitForURL((u) => u.pathname === loopPath(tag));
  await settled(page);
  const main = page.locator("main");
  await page.waitForFunction((t) => document.querySelector("main")?.textContent?.includes(t), tag);
  const found = (await read("/api/v1/attention")).attention.find((r) => r.tag === tag);
  assert.ok(found, "the service still has the finding");
  const kinds = found.findings.map((f) => f.kind);
  assert.ok(kinds.includes("current-out-of-range") || kinds.includes("no-reply"), `a broken wire is one of its findings, not only ${kinds.join(", ")}`);

  await main.locator("svg").first().waitFor();
  const text = plain(await main.innerText());
  for (const check of found.findings[0].checks) assert.ok(text.includes(plain(check)), `the check "${check}" stands on the page`);
  const cautions = found.findings[0].cautions;
  for (const caution of cautions) assert.ok(text.includes(plain(caution)), `the caution "${caution}" stands on the page`);
  if (cautions.length > 0) {
    const all = plain((await main.textContent()) ?? "");
    assert.ok(all.indexOf(plain(cautions[0])) < all.indexOf(plain(found.findings[0].checks[0])), "caution stands before instruction");
  }
  await clean(page, "Loop, 1280, light");
  await picture(page, "loop-1280-light");

  await page.goBack();
  await settled(page);
  assert.equal(new URL(page.url()).pathname, "/");
  await page.context().close();
});

for (const [width, scheme] of [[1280, "dark"], [390, "light"], [390, "dark"]]) {
  test(`the loop at ${width} px, ${scheme}`, async () => {
    const shown = tag ?? first.attention[0]?.tag;
    assert.ok(shown, "there is a loop to show");
    const page = await open(browser, { width, scheme });
    await go(page, loopPath(shown));
    await settled(page);
    await page.locator("main svg").first().waitFor();
    await page.waitForTimeout(800);
    await clean(page, `Loop, ${width}, ${scheme}`);
    await picture(page, `loop-${width}-${scheme}`);
    await page.context().close();
  });
}

test("a family opens by keyboard and leads to its loops", async () => {
  const { families } = await read("/api/v1/families");
  assert.ok(families.length > 0, "the sample plant has device families");
  const page = await open(browser);
  await go(page, "/families");
  await settled(page);
  const one = families.find((f) => f.scope === "device_revision");
  const row = page.locator("section.fam", { has: page.getByRole("heading", { name: one.name, exact: true }) });
  // What is drawn is what the service says, once both speak of the same result: findings come and go in a live plant.
  const drawn = async () => {
    const now = (await read("/api/v1/families")).families.find((f) => f.scope === one.scope && f.name === one.name);
    const pooled = now.findings.share.pooled ?? now.findings.share.raw;
    const text = plain(await row.innerText());
    return text.includes(`${Math.round(100 * pooled.value)} %`) && text.includes(`${now.findings.loops} of ${now.findings.of}`);
  };
  let same = await drawn();
  for (let n = 0; n < 20 && !same; n += 1) {
    await page.waitForTimeout(1000);
    same = await drawn();
  }
  assert.ok(same, "the pooled share and the loops with findings stand in its row");
  await row.locator("summary").focus();
  await page.keyboard.press("Enter");
  const link = row.locator(`a[href="${loopPath(one.loops[0].tag)}"]`);
  await link.waitFor();
  assert.equal(await row.locator("tbody tr").count(), one.members);
  await clean(page, "Families with loops, 1280");
  // The measure stands in the address, and the table can be taken along.
  await page.getByLabel("compare").selectOption("rate");
  await page.waitForURL(/show=rate/);
  await clean(page, "Families by rate, 1280");
  await picture(page, "families-rate-1280-light");
  const csv = await page.getByRole("link", { name: /as CSV/ }).getAttribute("href");
  const table = await (await fetch(service() + csv)).text();
  assert.equal(table.trim().split("\n").length, 1 + families.length);
  await link.focus();
  await page.keyboard.press("Enter");
  await page.waitForURL((u) => u.pathname === loopPath(one.loops[0].tag));
  await page.context().close();
});

test("every figure of a loop has a name", async () => {
  const shown = tag ?? first.attention[0]?.tag;
  assert.ok(shown, "there is a loop to show");
  const page = await open(browser);
  await go(page, loopPath(shown));
  await settled(page);
  await page.locator("main svg").first().waitFor();
  const nameless = await page.evaluate(() =>
    [...document.querySelectorAll("main svg")]
      .filter((s) => s.closest("[aria-hidden=true]") === null)
      .filter((s) => !(s.getAttribute("aria-label") || s.getAttribute("aria-labelledby") || s.querySelector(":scope > title")?.textContent))
      .map((s) => s.getAttribute("class") ?? "svg"),
  );
  assert.deepEqual(nameless, []);
  await page.context().close();
});

test("an unknown loop and an unknown sheet are said in a sentence", async () => {
  for (const path of [loopPath("no such loop/é"), "/no-such-sheet"]) {
    const page = await open(browser);
    await go(page, path);
    await settled(page);
    await noSideways(page, path);
    assert.deepEqual(page.faults.filter((f) => !/status of 404/.test(f)), [], path);
    await axe(page, path);
    await page.context().close();
  }
});
