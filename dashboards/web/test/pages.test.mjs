// Cases, wiring, register, announced work, glossary and the moving figure, in a real browser against a running service.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { after, before, test } from "node:test";
import { assessed, axe, go, launch, loopPath, noSideways, open, picture, plain, read, service, settled } from "./browser.mjs";

const WHO = "A. Roca";
let browser;
let result;

before(async () => {
  result = await assessed();
  browser = await launch();
});
after(async () => browser?.close());

async function clean(page, where) {
  await axe(page, where);
  await noSideways(page, where);
  assert.deepEqual(page.faults, [], `errors at ${where}`);
}

async function patch(tag, body) {
  const answer = await fetch(`${service()}/api/v1/loops/${encodeURIComponent(tag)}`, {
    method: "PATCH",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ by: WHO, why: "browser test", ...body }),
  });
  assert.equal(answer.status, 200, `${tag}: ${await answer.clone().text()}`);
}

/** A finding must persist before it opens a case. */
async function openCase(withinMs = 180_000) {
  const end = Date.now() + withinMs;
  for (;;) {
    const { cases } = await read("/api/v1/cases");
    const found = cases.find((c) => c.state === "unacknowledged" && c.tag !== null);
    if (found) return found;
    assert.ok(Date.now() < end, `no unacknowledged case of one loop within ${withinMs / 1000} s`);
    await new Promise((r) => setTimeout(r, 2_000));
  }
}

const PAGES = [
  ["wiring", "/wiring"],
  ["cases", "/cases"],
  ["cases-closed", "/cases?state=done"],
  ["register", "/register"],
  ["register-edit", "/register?edit=FIRST"],
  ["register-file", "/register/csv"],
  ["work", "/register/work"],
  ["changes", "/register/changes"],
  ["glossary", "/glossary"],
];
for (const scheme of ["light", "dark"]) {
  for (const width of [1280, 390]) {
    for (const [name, path] of PAGES) {
      test(`${name} at ${width} px, ${scheme}`, async () => {
        const { loops } = await read("/api/v1/loops?limit=1");
        const page = await open(browser, { width, scheme });
        await go(page, path.replace("FIRST", encodeURIComponent(loops[0].tag)));
        await settled(page);
        await page.waitForTimeout(300);
        assert.equal(await page.locator("h1").count(), 1);
        await clean(page, `${name}, ${width}, ${scheme}`);
        await picture(page, `${name}-${width}-${scheme}`);
        await page.context().close();
      });
    }
  }
}

test("a case is acknowledged, planned and attended with the keyboard, and the name is remembered", { timeout: 240_000 }, async () => {
  const c = await openCase();
  const page = await open(browser);
  await go(page, "/cases");
  await settled(page);
  const link = page.locator(`main a[href="/cases/${encodeURIComponent(c.id)}"]`).first();
  await link.focus();
  await page.keyboard.press("Enter");
  await page.waitForURL((u) => u.pathname === `/cases/${encodeURIComponent(c.id)}`);
  await settled(page);
  const told = page.locator(".act [role=status]");

  await page.getByRole("button", { name: "Acknowledge", exact: true }).focus();
  await page.keyboard.press("Enter");
  await page.getByLabel("Why").fill("morning round");
  await page.getByLabel("Your name").fill(WHO);
  await page.keyboard.press("Enter");
  await told.filter({ hasText: "Kept: acknowledged" }).waitFor();

  await page.getByRole("button", { name: "Plan work" }).click();
  assert.equal(await page.getByLabel("Your name").inputValue(), WHO, "the name is remembered");
  await page.getByLabel("Due").fill("2099-01-05T08:00");
  await page.getByLabel("What is planned").fill("loop check");
  await page.getByLabel("Why").fill("spare is here");
  await page.keyboard.press("Enter");
  await told.filter({ hasText: "Kept: planned" }).waitFor();
  const planned = await read(`/api/v1/cases/${encodeURIComponent(c.id)}`);
  assert.equal(planned.state, "planned");
  assert.equal(planned.plan.who, WHO);
  // 08:00 site time is what was meant, whatever the browser's own zone is.
  const site = new Intl.DateTimeFormat("en-GB", { timeZone: result.site.timezone, hour: "2-digit", minute: "2-digit" });
  assert.equal(site.format(new Date(planned.plan.due)), "08:00");

  await page.getByRole("button", { name: "Attended" }).click();
  await page.getByLabel("What was found").fill("terminal loose");
  await page.getByLabel("What was done").fill("tightened");
  await page.getByLabel("As found, % of span").fill("−0,61");
  await page.getByLabel("As left, % of span").fill("0.02");
  await page.getByLabel("Why").fill("planned work");
  await page.getByRole("button", { name: "Attended" }).last().click();
  await told.filter({ hasText: "Kept: attended" }).waitFor();
  const attended = await read(`/api/v1/cases/${encodeURIComponent(c.id)}`);
  assert.deepEqual([attended.attended.as_found_pct, attended.attended.as_left_pct], [-0.61, 0.02]);
  await page.getByText("Proof after work").waitFor();
  assert.match(plain(await page.locator(".proof").innerText()), /As found −0.61 % As left \+0.02 %/);
  await clean(page, "case, 1280");
  await picture(page, "case-1280-light");

  // What the service refuses is shown in its words, and nothing is lost.
  await page.getByRole("button", { name: "Shelve" }).waitFor({ state: "detached" });
  const sheet = page.getByRole("link", { name: "Sheet to print" });
  const answer = await fetch(service() + (await sheet.getAttribute("href")));
  assert.equal(answer.status, 200);
  assert.match(await answer.text(), /terminal loose/);

  await go(page, loopPath(c.tag));
  await settled(page);
  await page.locator(`.incases a[href="/cases/${encodeURIComponent(c.id)}"]`).waitFor();
  await clean(page, "loop with a case");
  await page.context().close();
  for (const [width, scheme] of [[390, "light"], [390, "dark"], [1280, "dark"]]) {
    const other = await open(browser, { width, scheme });
    await go(other, `/cases/${encodeURIComponent(c.id)}`);
    await settled(other);
    await clean(other, `case, ${width}, ${scheme}`);
    await picture(other, `case-${width}-${scheme}`);
    await other.context().close();
  }
});

test("cases are filtered by the address", async () => {
  const c = await openCase();
  const page = await open(browser);
  await go(page, "/cases?find=no+such+word");
  await settled(page);
  await page.getByText("No open case fits.").waitFor();
  await page.locator("#find").fill(c.tag);
  await page.locator(`main a[href="/cases/${encodeURIComponent(c.id)}"]`).first().waitFor();
  assert.match(page.url(), new RegExp(`find=${c.tag}`));
  await page.context().close();
});

test("an entry of the register is changed, and the change is said before it is kept", async () => {
  const { loops } = await read("/api/v1/loops?limit=1");
  const [l] = loops;
  const page = await open(browser);
  await go(page, `/register?find=${encodeURIComponent(l.tag)}`);
  await settled(page);
  await page.getByRole("button", { name: `Change ${l.tag}` }).click();
  const edit = page.getByRole("region", { name: `Change ${l.tag}` });
  await page.getByText("Nothing is changed yet.").waitFor();
  await page.getByLabel("Tolerance, % of span").fill("x");
  await page.getByText("Tolerance, % of span: not a number.").waitFor();
  const wanted = l.tolerance_pct === 0.8 ? 0.7 : 0.8;
  await page.getByLabel("Tolerance, % of span").fill(String(wanted));
  await page.getByText(`To change: Tolerance, % of span from ${l.tolerance_pct} to ${wanted}.`).waitFor();
  await edit.getByLabel("Why").fill("browser test");
  await edit.getByLabel("Your name").fill(WHO);
  await page.getByRole("button", { name: "Keep the change" }).click();
  await page.getByText("Kept. The next result uses it.").waitFor();
  assert.equal((await read(`/api/v1/loops/${encodeURIComponent(l.tag)}`)).tolerance_pct, wanted);
  // Refused: the same value at both ends of the range. The service's reason is shown.
  await page.getByLabel("Value at 4 mA", { exact: true }).fill(String(l.urv));
  await edit.getByLabel("Why").fill("browser test");
  await page.getByRole("button", { name: "Keep the change" }).click();
  await page.locator(".edit [role=status]").filter({ hasText: /\w+.*\./ }).waitFor();
  assert.deepEqual(page.faults.filter((f) => !/status of 422/.test(f)), []);
  await go(page, "/register/changes");
  await settled(page);
  await page.getByText(`tolerance_pct from ${l.tolerance_pct} to ${wanted}`).first().waitFor();
  await page.context().close();
  await patch(l.tag, { tolerance_pct: l.tolerance_pct });
});

test("columns of the register are chosen, and stand in the address", async () => {
  const page = await open(browser);
  await go(page, "/register");
  await settled(page);
  await page.locator(".pickcols summary").focus();
  await page.keyboard.press("Enter");
  await axe(page, "columns of the register");
  await page.getByLabel("apart now").check();
  await page.getByLabel("wired").uncheck();
  await page.waitForURL(/columns=range%2Ctolerance%2Cpurpose%2Carea%2Capart/);
  const heads = async () => (await page.locator(".vhead [role=columnheader]").allInnerTexts()).map(plain);
  const wanted = ["tag and service", "range", "tolerance", "purpose", "area", "apart now", "entry"];
  assert.deepEqual(await heads(), wanted);
  await page.reload();
  await settled(page);
  assert.deepEqual(await heads(), wanted);
  await noSideways(page, "register with other columns");
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("loops that a gateway showed are confirmed together", async () => {
  const tags = (await read("/api/v1/loops?limit=3")).loops.map((l) => l.tag);
  for (const tag of tags) await patch(tag, { confirmed: false });
  const page = await open(browser, { width: 390 });
  await go(page, "/register?state=unconfirmed");
  await settled(page);
  await page.getByText(/to be confirmed\.$/).first().waitFor();
  await axe(page, "register to confirm, 390");
  await page.getByLabel(`Confirm ${tags[0]}`).check();
  await page.getByRole("button", { name: /^choose the/ }).click();
  // The difference comes before the word: what would be confirmed, and what each reads now.
  await page.getByRole("button", { name: /^See what 3 loops would be/ }).click();
  const table = page.getByRole("region", { name: "What would be confirmed" });
  for (const tag of tags) assert.ok(plain(await table.innerText()).includes(tag), tag);
  await axe(page, "what would be confirmed, 390");
  await noSideways(page, "what would be confirmed, 390");
  for (const tag of tags) assert.equal((await read(`/api/v1/loops/${encodeURIComponent(tag)}`)).confirmed, false, `${tag} waits for the word`);
  await page.getByLabel("Held against").fill("loop sheets");
  await page.getByLabel("Your name").fill(WHO);
  await page.getByRole("button", { name: /^Confirm/ }).click();
  await page.getByText("Each entry was given or confirmed by a person.").waitFor();
  for (const tag of tags) assert.equal((await read(`/api/v1/loops/${encodeURIComponent(tag)}`)).confirmed, true, tag);
  await page.context().close();
});

test("the register goes out as a file and comes back with its difference first", async () => {
  const before = await (await fetch(`${service()}/api/v1/register`)).text();
  const [head, first, ...rest] = before.split(/\r?\n/);
  const column = head.split(",").indexOf("damping_s");
  assert.ok(column >= 0 && !first.includes('"'), "the first row has plain cells");
  const cells = first.split(",");
  const was = cells[column];
  cells[column] = was === "7" ? "6" : "7";
  const page = await open(browser);
  await go(page, "/register/csv");
  await settled(page);
  await page.locator("#file").setInputFiles({ name: "loops.csv", mimeType: "text/csv", buffer: Buffer.from([head, cells.join(","), ...rest].join("\n")) });
  await page.getByText("loops.csv would change 1 loop.").waitFor();
  assert.match(plain(await page.locator("table").innerText()), new RegExp(`damping_s ${was.replace(".", "\\.") || "empty"} `));
  assert.equal(await (await fetch(`${service()}/api/v1/register`)).text(), before, "nothing is taken before it was confirmed");
  await clean(page, "difference");
  await picture(page, "register-difference");
  await page.getByLabel("Why").fill("browser test");
  await page.getByLabel("Your name").fill(WHO);
  await page.getByRole("button", { name: /^Take it/ }).click();
  await page.getByText("Taken: 1 changed.").waitFor();
  assert.notEqual(await (await fetch(`${service()}/api/v1/register`)).text(), before);
  await page.locator("#file").setInputFiles({ name: "bad.csv", mimeType: "text/csv", buffer: Buffer.from("tag,pv_unit,lrv,urv\nFT-1,bar,1,1\n") });
  await page.locator("[role=status].told").filter({ hasText: /FT-1|lrv|line|row/i }).waitFor();
  await page.context().close();
});

test("work is announced and listed", async () => {
  const { loops } = await read("/api/v1/loops?limit=1");
  const page = await open(browser);
  await go(page, `/register/work?tag=${encodeURIComponent(loops[0].tag)}`);
  await settled(page);
  const note = `loop check ${Date.now()}`;
  await page.getByLabel("To (site time)").fill("2000-01-01T00:00");
  await page.getByLabel("What is done").fill(note);
  await page.getByLabel("Your name").fill(WHO);
  await page.getByRole("button", { name: "Announce" }).click();
  await page.getByText("The end is not after the begin.").waitFor();
  const from = await page.getByLabel("From (site time)").inputValue();
  await page.getByLabel("To (site time)").fill(`${from.slice(0, 10)}T23:59`);
  await page.getByRole("button", { name: "Announce" }).click();
  await page.getByRole("cell", { name: note }).waitFor();
  const { work } = await read("/api/v1/work");
  assert.ok(work.some((w) => w.note === note && w.tag === loops[0].tag));
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("the arrow keys walk along a strip, and Enter opens the loop", async () => {
  const page = await open(browser);
  await go(page, "/wiring");
  await settled(page);
  const strip = page.getByRole("slider").first();
  await strip.focus();
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("ArrowRight");
  const said = await strip.getAttribute("aria-valuetext");
  const tag = said.split(",")[0];
  await page.keyboard.press("Enter");
  await page.waitForURL((u) => u.pathname === loopPath(tag));
  await page.goBack();
  await settled(page);
  // Every loop with a finding is a tall stroke: as many as the service has, in each sorting that knows all loops.
  const lasting = result.attention.filter((r) => r.findings.some((f) => f.ended === null)).length;
  assert.ok(lasting === 0 || (await page.locator(".stk.dif").count()) > 0);
  await page.context().close();
});

test("a word of the trade leads to its place in the glossary", async () => {
  const row = result.attention.find((r) => /digital value|of span|measured current/.test(r.why)) ?? result.attention[0];
  assert.ok(row, "there is a loop with a finding");
  const page = await open(browser);
  await go(page, loopPath(row.tag));
  await settled(page);
  await page.locator("a.term").first().click();
  await page.waitForURL((u) => u.pathname === "/glossary");
  await page.locator(".gloss dt").first().waitFor();
  assert.ok((await page.locator(".gloss > div").count()) >= 1);
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("the twin trace narrows, moves and keeps its time in the address", async () => {
  const { loops } = await read("/api/v1/loops?limit=50");
  const l = loops.find((x) => x.last?.analog_ma != null) ?? loops[0];
  const page = await open(browser);
  await go(page, `${loopPath(l.tag)}?range=7d`);
  await settled(page);
  const figure = page.locator("svg.twin");
  await figure.waitFor();
  await page.waitForFunction(() => (document.querySelector("svg.twin .dig")?.getAttribute("d") ?? "").length > 50);
  await figure.scrollIntoViewIfNeeded();
  const box = await figure.boundingBox();
  await page.mouse.move(box.x + box.width * 0.4, box.y + 200);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.5, box.y + 200, { steps: 4 });
  await page.mouse.up();
  await page.waitForURL((u) => u.searchParams.has("from") && u.searchParams.has("to"));
  const length = (u) => Date.parse(u.searchParams.get("to")) - Date.parse(u.searchParams.get("from"));
  const narrow = length(new URL(page.url()));
  assert.ok(narrow > 6 * 3_600_000 && narrow < 40 * 3_600_000, `${narrow / 3_600_000} h`);
  await page.getByRole("button", { name: /^earlier/ }).click();
  const moved = new URL(page.url());
  assert.ok(Math.abs(length(moved) - narrow) < 2_000, "moving keeps the length");
  await page.getByRole("button", { name: /^closer/ }).press("Enter");
  assert.ok(Math.abs(length(new URL(page.url())) - narrow / 2) < 2_000);
  const address = page.url();
  await clean(page, "loop, narrowed");
  await picture(page, "loop-narrowed");
  await page.reload();
  await settled(page);
  assert.equal(page.url(), address);
  const link = await page.getByRole("link", { name: /as a picture/ }).getAttribute("href");
  const svg = await fetch(service() + link);
  assert.equal(svg.headers.get("content-type"), "image/svg+xml");
  assert.match(await svg.text(), /<title id="n">Twin trace of /);
  await page.context().close();
});

test("times in sentences are site time, with UTC in the title", async () => {
  const page = await open(browser);
  const inWords = /(\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{2}:\d{2})/;
  // Known to less than a day: else the page says the day alone.
  const sharp = (f) => Date.parse(f.onset_high) - Date.parse(f.onset_low) < 86_400_000;
  const row = result.attention.find((r) => inWords.test(r.why) && r.findings.length > 0 && r.findings.every(sharp));
  assert.ok(row, "a sentence with a time that is known to less than a day");
  // A zone far from UTC, so that a time left as it came would show.
  await page.route("**/api/v1/events", (route) => route.abort());
  await page.route("**/api/v1/attention*", (route) => route.fulfill({ status: 200, contentType: "application/json", body: JSON.stringify({ ...result, common_causes: [], site: { name: "East", timezone: "Asia/Kathmandu" }, attention: [{ ...row, rank: 1, common_cause: null }] }) }));
  await go(page, "/");
  await settled(page);
  const time = page.locator(".why time").first();
  await time.waitFor();
  const at = new Date(await time.getAttribute("datetime"));
  const [day, month, clock] = inWords.exec(row.why)[1].split(" ");
  assert.equal(await time.getAttribute("title"), `${at.toISOString().slice(0, 19).replace("T", " ")} UTC`);
  assert.equal(`${at.getUTCDate()} ${at.toISOString().slice(11, 16)}`, `${day} ${clock}`, `${month}: the sentence's UTC`);
  const shown = plain(await time.innerText());
  const site = new Intl.DateTimeFormat("en-GB", { timeZone: "Asia/Kathmandu", hour: "2-digit", minute: "2-digit" }).format(at);
  assert.ok(shown.endsWith(site), `${shown} ends with ${site}`);
  await page.context().close();
});

test("what changed since the last look is said, and what is seen comes as CSV", async () => {
  const page = await open(browser);
  await page.addInitScript(() => {
    if (!localStorage.getItem("loopwitness.look")) localStorage.setItem("loopwitness.look", JSON.stringify({ before: null, last: { at: Date.now() - 3_600_000, places: { "GONE-1": 1 } } }));
  });
  await go(page, "/");
  await settled(page);
  const since = page.locator(".since");
  await since.waitFor();
  assert.match(plain(await since.innerText()), /GONE-1 asks no more\./);
  const [file] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: "CSV" }).click()]);
  const text = readFileSync(await file.path(), "utf8");
  assert.match(text, /^place,tag,service/);
  assert.doesNotMatch(text, /\d\.\d{10,}(?=[,\r])/, "no noise of binary fractions");
  assert.equal(text.trim().split("\r\n").length - 1, result.attention.length >= 1 ? (await read("/api/v1/attention")).attention.length : 0);
  await page.goto(`${service()}/?order=tag`);
  await settled(page);
  const names = await page.locator(".row h2 .tag").allInnerTexts();
  assert.deepEqual(names, names.toSorted((a, b) => a.localeCompare(b, "en", { numeric: true })));
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("ten thousand loops in the register scroll and filter", async (t) => {
  const { loops } = await read("/api/v1/loops?limit=1");
  const many = Array.from({ length: 10_000 }, (_, i) => ({ ...loops[0], tag: `FT-${10_000 + i}`, area: `Area ${i % 9}` }));
  const page = await open(browser);
  await page.route("**/api/v1/loops?*", (route) => route.fulfill({ status: 200, contentType: "application/json", body: JSON.stringify({ loops: many, next: null }) }));
  await go(page, "/register");
  await page.locator(".vrow").first().waitFor();
  assert.ok((await page.locator(".vrow").count()) < 80, "only rows in sight exist");
  assert.equal(await page.getByRole("table").getAttribute("aria-rowcount"), "10001");
  const frames = await page.evaluate(async () => {
    const list = document.querySelector(".vrows");
    const began = performance.now();
    const step = list.scrollHeight / 60;
    for (let i = 0; i < 60; i++) {
      list.scrollTop = step * (i + 1);
      await new Promise((r) => requestAnimationFrame(r));
    }
    return performance.now() - began;
  });
  await page.getByText("FT-19999").waitFor();
  const typed = Date.now();
  await page.locator("#find").fill("FT-15432");
  await page.locator('.vrow a[href="/loop/FT-15432"]').waitFor();
  await page.waitForFunction(() => document.querySelectorAll(".vrow").length === 1);
  t.diagnostic(`60 scroll steps in ${frames.toFixed(0)} ms, found after ${Date.now() - typed} ms`);
  await axe(page, "register, 10,000 loops");
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("each modem's own pace stands beside its plan", async () => {
  const { gateways } = await read("/api/v1/gateways");
  const named = gateways.flatMap((g) => g.modems.filter((m) => m.name !== null).map((m) => ({ g, m })));
  assert.ok(named.length > 0, "the register names the modems of the sample works");
  for (const g of gateways) {
    const sum = g.modems.reduce((s, m) => s + m.planned_per_s, 0);
    assert.ok(Math.abs(sum - g.planned_per_s) < 1e-6, `${g.name}: its modems make up its plan`);
  }
  for (const width of [1280, 390]) {
    const page = await open(browser, { width });
    await go(page, "/collection");
    await settled(page);
    await page.locator(".crowm").first().waitFor();
    for (const { g, m } of named) {
      const label = m.name.startsWith(`${g.name}/`) ? m.name.slice(g.name.length + 1) : m.name;
      const row = page.getByRole("region", { name: g.name, exact: true }).locator(".crowm").filter({ hasText: label });
      assert.match(plain(await row.first().innerText()), new RegExp(`\\d of ${m.planned_per_s.toFixed(2)}`), `${m.name} at ${width} px`);
    }
    await clean(page, `collection with modems, ${width}`);
    await page.context().close();
  }
});

test("an open case shows what to be careful of and what to look at, as its loop does", async () => {
  const { cases } = await read("/api/v1/cases?state=open");
  const attention = (await read("/api/v1/attention")).attention;
  const findings = attention.flatMap((r) => r.findings);
  const c = cases.find((x) => findings.some((f) => x.findings.includes(f.id) && f.checks.length > 0));
  assert.ok(c, "an open case with a finding that has checks");
  const f = findings.find((x) => c.findings.includes(x.id) && x.checks.length > 0);
  for (const width of [1280, 390]) {
    const page = await open(browser, { width });
    await go(page, `/cases/${encodeURIComponent(c.id)}`);
    await settled(page);
    await page.locator(".todo li").first().waitFor();
    assert.equal(await page.locator(".todo ol li").count(), f.checks.length);
    const order = await page.locator(".beside h2").allInnerTexts();
    assert.ok(order.indexOf("First, caution") < order.indexOf("What to look at, in order of what it tells"), order.join(" | "));
    await clean(page, `case with checks, ${width}`);
    await page.context().close();
  }
});

test("the picture of a loop has its status bits and, where something is foretold, the time to come", async () => {
  const rows = (await read("/api/v1/attention")).attention;
  const drawn = async (tag) => (await fetch(`${service()}/api/v1/loops/${encodeURIComponent(tag)}/trace.svg`)).text();
  const foretold = rows.find((r) => r.findings[0]?.kind === "analog-digital-drift" && r.findings[0].ended === null && r.findings[0].rate_pct_per_day && r.findings[0].deviation_pct !== null);
  const told = rows.find((r) => r.findings.some((f) => f.kind === "device-status" && f.ended === null));
  assert.ok(told, "the sample works have a device that says something");
  // Whether ten days of a ramp are enough to foretell it depends on the hour at which the sample works begin.
  const svg = foretold ? await drawn(foretold.tag) : "";
  for (const mark of ['class="fut"', 'class="fwd"', 'class="nowl"', "Device status"]) assert.ok(!foretold || svg.includes(mark), mark);
  assert.match(await drawn(told.tag), /class="bits"/);
  // It stands alone: a browser draws it without a request or a complaint.
  const page = await open(browser);
  await go(page, `/api/v1/loops/${encodeURIComponent((foretold ?? told).tag)}/trace.svg`);
  const box = await page.evaluate(() => {
    const all = [...document.querySelectorAll("text")].map((t) => t.getBoundingClientRect());
    const edge = document.documentElement.getBoundingClientRect();
    return { out: all.filter((b) => b.right > edge.right + 1 || b.bottom > edge.bottom + 1).length, n: all.length };
  });
  assert.ok(box.n > 10 && box.out === 0, JSON.stringify(box));
  assert.deepEqual(page.faults, []);
  await page.context().close();
});
