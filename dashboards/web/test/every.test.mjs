// What holds on every page: named figures, the keyboard alone, no motion where none is wanted, nothing from elsewhere, and
// paper. Against a running service.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { assessed, axe, go, launch, loopPath, noSideways, open, picture, plain, read, service, settled } from "./browser.mjs";

let browser;
let result;
let pages;

before(async () => {
  result = await assessed();
  browser = await launch();
  const { loops } = await read("/api/v1/loops?limit=1");
  const found = result.attention[0]?.tag ?? loops[0].tag;
  pages = [
    ["Attention", "/"],
    ["Loop", loopPath(found)],
    ["Loop, quiet", loopPath(loops[0].tag)],
    ["Wiring", "/wiring"],
    ["Cases", "/cases"],
    ["Families", "/families"],
    ["Collection", "/collection"],
    ["Not judged", "/not-judged"],
    ["Register", "/register"],
    ["Register, one entry", `/register?edit=${encodeURIComponent(loops[0].tag)}`],
    ["Register as a file", "/register/csv"],
    ["Announced work", "/register/work"],
    ["What people changed", "/register/changes"],
    ["Glossary", "/glossary"],
  ];
});
after(async () => browser?.close());

/** What Tab should reach: links, buttons and fields that are seen, one of each radio group, no link of a folded list. */
const reachable = () =>
  [...document.querySelectorAll("main a[href], main button, main input, main select, main summary, main [tabindex='0']")]
    .filter((e) => e.checkVisibility() && !e.disabled && e.tabIndex >= 0)
    .map((e, i) => {
      e.dataset.walk = String(i);
      return e.dataset.walk;
    });

test("the keyboard alone reaches everything on every page, in sight, and gets out again", { timeout: 300_000 }, async () => {
  for (const [name, path] of pages) {
    const page = await open(browser);
    await go(page, path);
    await settled(page);
    await page.waitForLoadState("networkidle").catch(() => null);
    const wanted = (await page.evaluate(reachable)).slice(0, 120);
    assert.ok(wanted.length > 0, `${name} has something to reach`);
    await page.evaluate(() => {
      document.activeElement instanceof HTMLElement && document.activeElement.blur();
      window.scrollTo(0, 0);
    });
    const seen = new Set();
    for (let i = 0; i < 2 * wanted.length + 120 && seen.size < wanted.length; i++) {
      await page.keyboard.press("Tab");
      const at = await page.evaluate(() => {
        const e = document.activeElement;
        if (!(e instanceof HTMLElement)) return null;
        const s = getComputedStyle(e);
        const box = e.getBoundingClientRect();
        return { walk: e.dataset.walk ?? "", ring: s.outlineStyle !== "none" && Number.parseFloat(s.outlineWidth) >= 2, shown: box.width > 0 && box.height > 0, who: `${e.tagName.toLowerCase()} ${e.textContent?.slice(0, 30)}` };
      });
      if (at === null || at.walk === "") continue;
      assert.ok(at.ring, `${name}: ${at.who} shows that it has the focus`);
      assert.ok(at.shown, `${name}: ${at.who} is in sight`);
      if (wanted.includes(at.walk)) seen.add(at.walk);
    }
    const missed = wanted.filter((w) => !seen.has(w));
    const names = await page.evaluate((ids) => ids.map((id) => document.querySelector(`[data-walk="${id}"]`)?.outerHTML.slice(0, 80)), missed.slice(0, 3));
    assert.deepEqual(names, [], `${name}: not reached by Tab`);
    assert.deepEqual(page.faults, [], `errors at ${name}`);
    await page.context().close();
  }
});

test("no page moves where no motion is wanted, and none of its figures is nameless", { timeout: 120_000 }, async () => {
  for (const [name, path] of pages) {
    const page = await open(browser);
    await go(page, path);
    await settled(page);
    await page.waitForLoadState("networkidle").catch(() => null);
    const moving = await page.evaluate(() => document.getAnimations().length + [...document.querySelectorAll("*")].filter((e) => Number.parseFloat(getComputedStyle(e).transitionDuration) > 0 || getComputedStyle(e).scrollBehavior === "smooth").length);
    assert.equal(moving, 0, `${name} moves`);
    const nameless = await page.evaluate(() =>
      [...document.querySelectorAll("main svg")]
        .filter((s) => s.closest("[aria-hidden=true]") === null && s.closest("[role=slider]") === null)
        .filter((s) => !(s.getAttribute("aria-label") || s.getAttribute("aria-labelledby") || s.querySelector(":scope > title")?.textContent))
        .map((s) => s.outerHTML.slice(0, 60)),
    );
    assert.deepEqual(nameless, [], `${name}: figures without a name`);
    const text = plain((await page.locator("body").innerText()) ?? "");
    assert.doesNotMatch(text, /undefined|NaN|\[object|Invalid Date/, `${name}: a value that slipped through`);
    // Words that the house does not use of a loop.
    assert.doesNotMatch(text, /\b[Hh]ealthy?\b|\bOK\b|calibration not needed|\b[Ss]mart\b/, `${name}: a word that is not said`);
    assert.deepEqual(page.faults, [], `errors at ${name}`);
    await page.context().close();
  }
});

test("list and loop on paper: no controls, groups unfolded, nothing sticks out", async () => {
  for (const [name, path] of pages.slice(0, 2)) {
    const page = await open(browser, { width: 1060 });
    await go(page, path);
    await settled(page);
    await page.waitForLoadState("networkidle").catch(() => null);
    await page.emulateMedia({ media: "print", colorScheme: "light" });
    for (const gone of ["nav", ".filt", ".moves", ".walk", ".accept"]) {
      const control = page.locator(gone).first();
      assert.equal((await control.count()) > 0 && (await control.isVisible()), false, `${name}: ${gone} is on paper`);
    }
    await noSideways(page, `${name} on paper`);
    await picture(page, `${name.toLowerCase()}-paper`);
    const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: true });
    assert.ok(pdf.length > 10_000);
    await page.context().close();
  }
});

test("the figures travel as plain arrays, the newest state as JSON", async () => {
  const page = await open(browser);
  const kinds = new Map();
  page.on("response", (r) => {
    const path = new URL(r.url()).pathname;
    if (path.startsWith("/api/v1/")) kinds.set(path.replace(/loops\/[^/]+\//, "loops/TAG/"), r.headers()["content-type"]);
  });
  await go(page, pages[1][1]);
  await settled(page);
  await page.waitForFunction(() => (document.querySelector("svg.twin .dig")?.getAttribute("d") ?? "").length > 20);
  for (const path of ["/api/v1/loops/TAG/readings", "/api/v1/loops/TAG/trace"]) assert.equal(kinds.get(path), "application/vnd.loopwitness.columns", path);
  await page.context().close();
});

test("columns that are cut off are a sentence, not a broken page", async () => {
  const page = await open(browser);
  await page.route("**/readings?*", (route) => route.fulfill({ status: 200, contentType: "application/vnd.loopwitness.columns", body: Buffer.from("LWC1\x08\x00\x00\x00{\"a\":1") }));
  await go(page, pages[1][1]);
  await settled(page);
  await page.getByText(/columns that cannot be read/).first().waitFor();
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("a person accepts a loop as it is, with why and until when, and ends it", { timeout: 180_000 }, async () => {
  const { loops } = await read("/api/v1/loops?limit=400");
  const l = loops.findLast((x) => !x.multidrop && !result.attention.some((r) => r.tag === x.tag)) ?? loops.at(-1);
  const page = await open(browser);
  await go(page, loopPath(l.tag));
  await settled(page);
  const form = page.locator(".bases > details.accept");
  await form.locator("summary").focus();
  await page.keyboard.press("Enter");
  await form.getByLabel(/^Until/).fill("2000-01-01T00:00");
  await form.getByLabel("Why it is accepted").fill("card exchanged, offset known");
  await form.getByLabel("Your name").fill("A. Roca");
  await form.getByRole("button", { name: /^Accept/ }).click();
  await page.getByText("Until is not after from.").waitFor();
  await form.getByLabel(/^Until/).fill("2099-01-05T08:00");
  await axe(page, "a loop to accept");
  await form.getByRole("button", { name: /^Accept/ }).click();
  await page.getByText("Kept: from then on the record begins anew.").waitFor();
  const { baselines } = await read(`/api/v1/loops/${encodeURIComponent(l.tag)}/baselines`);
  const [kept] = baselines.filter((b) => b.why === "card exchanged, offset known");
  assert.equal(kept?.by, "A. Roca");
  assert.equal(kept.reason, "accepted");
  const site = new Intl.DateTimeFormat("en-GB", { timeZone: result.site.timezone, hour: "2-digit", minute: "2-digit" });
  assert.equal(site.format(new Date(kept.until)), "08:00", "site time is what was meant");
  await page.getByText("accepted as it is", { exact: false }).first().waitFor();
  // And ends it before its date, once it counts.
  const end = page.locator(".bases li details.accept");
  await end.waitFor({ timeout: 90_000 });
  await end.locator("summary").click();
  await end.getByLabel("Why it ends").fill("the card was exchanged once more");
  await axe(page, "a baseline to end");
  await end.getByRole("button", { name: "End it" }).click();
  await page.getByText("ended", { exact: false }).filter({ hasText: "the card was exchanged once more" }).first().waitFor();
  const after = await read(`/api/v1/loops/${encodeURIComponent(l.tag)}/baselines`);
  assert.equal(after.baselines.find((b) => b.from === kept.from)?.ended?.why, "the card was exchanged once more");
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("sheets and pictures tell site time", async () => {
  const zone = result.site.timezone;
  const tag = pages[1][1].slice("/loop/".length);
  for (const path of ["/api/v1/reports?limit=1", `/api/v1/loops/${tag}/trace.svg`]) {
    const text = await (await fetch(service() + path)).text();
    assert.ok(text.includes(zone), `${path} names ${zone}`);
    assert.doesNotMatch(text, /\bUTC\b/, path);
  }
});

test("what is not judged is counted by kind, filtered by the address and taken along", async () => {
  const page = await open(browser);
  await go(page, "/not-judged");
  await settled(page);
  // What the page shows is what there was before and after it asked: a new result may come in between.
  let newest = await read("/api/v1/attention");
  for (let before = null; JSON.stringify(before?.not_judged) !== JSON.stringify(newest.not_judged); ) {
    before = newest;
    await page.reload();
    await settled(page);
    newest = await read("/api/v1/attention");
  }
  const all = newest.loops;
  for (const kind of new Set(newest.not_judged.map((n) => n.what).filter((k) => k !== "all"))) {
    const missing = new Set(newest.not_judged.filter((n) => n.what === kind || n.what === "all").map((n) => n.tag)).size;
    const named = await page.locator(".seen svg").evaluateAll((list) => list.map((s) => s.getAttribute("aria-label")));
    assert.ok(named.some((n) => n.includes(`judged for ${all - missing} of ${all} loops`)), `${kind}: ${all - missing} of ${all} among ${named.join("; ")}`);
  }
  if (newest.not_judged.length > 0) {
    const { tag } = newest.not_judged[0];
    await page.locator("#find").fill(tag);
    await page.waitForURL(/find=/);
    assert.deepEqual(await page.locator(".njg .tags .tag").allInnerTexts().then((t) => [...new Set(t)]), [tag]);
    await page.locator("#find").fill("no such loop");
    await page.getByText("No loop fits.").waitFor();
  }
  await page.context().close();
});
