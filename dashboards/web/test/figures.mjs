// How quick the pages are with a large fleet: a table on standard output, no test.
// LOOPWITNESS_URL names the service; node test/figures.mjs [TAG of a loop with a year of readings]

import { assessed, go, launch, loopPath, open, read } from "./browser.mjs";

const ROUNDS = 5;
const result = await assessed(600_000);
const year = process.argv[2] ?? result.attention[0]?.tag;
const browser = await launch();
const median = (v) => v.toSorted((a, b) => a - b)[Math.floor(v.length / 2)];
const lines = [];
const tell = (what, target, values) => lines.push(`| ${what} | ${target} | ${median(values).toFixed(0)} | ${Math.max(...values).toFixed(0)} |`);

/** Waits, within the page, until `ready` is true at a painted frame; gives performance.now() of it. */
const painted = (page, ready, argument) =>
  page.evaluate(
    async ([text, arg]) => {
      const f = new Function("arg", `return (${text})(arg)`);
      const end = performance.now() + 30_000;
      while (!f(arg)) {
        if (performance.now() > end) throw new Error(`not within 30 s: ${text}`);
        await new Promise((r) => requestAnimationFrame(r));
      }
      await new Promise((r) => requestAnimationFrame(() => setTimeout(r)));
      return performance.now();
    },
    [ready.toString(), argument ?? null],
  );
const firstPaint = (page) => page.evaluate(() => performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? Number.NaN);

async function rounds(run) {
  const out = [];
  for (let i = 0; i < ROUNDS; i++) {
    const page = await open(browser);
    out.push(await run(page, i));
    if (page.faults.length > 0) throw new Error(page.faults.join("; "));
    await page.context().close();
  }
  return out;
}

const start = await rounds(async (page) => {
  await go(page, "/");
  const usable = await painted(page, () => document.querySelector(".row h2 .tag") !== null && document.querySelector("#find") !== null);
  return { paint: await firstPaint(page), usable, nodes: await page.evaluate(() => document.querySelectorAll("*").length) };
});
tell("Attention: first paint", "1000", start.map((s) => s.paint));
tell("Attention: list usable", "1000", start.map((s) => s.usable));

/** Types one text into the field at once and waits for what is left. */
async function filtering(page, path, needle, ready) {
  await go(page, path);
  await painted(page, ready, "");
  await page.waitForLoadState("networkidle").catch(() => null);
  return page.evaluate(
    async ([text, condition]) => {
      const f = new Function("arg", `return (${condition})(arg)`);
      const field = document.querySelector("#find");
      const began = performance.now();
      field.value = text;
      field.dispatchEvent(new InputEvent("input", { bubbles: true }));
      while (!f(text)) await new Promise((r) => requestAnimationFrame(r));
      await new Promise((r) => requestAnimationFrame(() => setTimeout(r)));
      return performance.now() - began;
    },
    [needle, ready.toString()],
  );
}
const listed = result.attention.at(-1)?.tag ?? "";
tell("Attention: filter", "100", await rounds((page) => filtering(page, "/", listed, (text) => { const tags = [...document.querySelectorAll(".row h2 .tag")]; return tags.length > 0 && (text === "" || tags.every((t) => t.textContent === text || t.closest(".grp") !== null)); })));
const { loops } = await read("/api/v1/loops?limit=5000");
const named = loops.at(-1).tag;
tell("Register: filter", "100", await rounds((page) => filtering(page, "/register", named, (text) => { const rows = document.querySelectorAll(".vrow .tag"); return rows.length > 0 && (text === "" || [...rows].every((r) => r.textContent.includes(text))); })));
tell("Register: list usable", "1000", await rounds(async (page) => { await go(page, "/register"); return painted(page, () => document.querySelector(".vrow .tag") !== null); }));

tell(
  "Loop: a year's trace, from the click on 1 y to drawn",
  "500",
  await rounds(async (page) => {
    await go(page, `${loopPath(year)}?range=7d`);
    await painted(page, () => (document.querySelector("svg.twin .dif")?.getAttribute("d") ?? "").length > 50);
    await page.waitForLoadState("networkidle").catch(() => null);
    return page.evaluate(async () => {
      const link = [...document.querySelectorAll(".rng a")].find((a) => a.getAttribute("href") === "?range=1y");
      if (!link) throw new Error("the record of this loop is no year long");
      const drawn = () => `${document.querySelector("svg.twin .dif")?.getAttribute("d")}|${document.querySelector("svg.twin .dig")?.getAttribute("d")}`;
      const [difference, digital] = drawn().split("|");
      const began = performance.now();
      link.click();
      // Both the bins and the readings of the year must be there.
      for (;;) {
        const [d, v] = drawn().split("|");
        if (d !== difference && v !== digital && document.querySelector(".rng [aria-current]")?.textContent === "1 y" && (window.performance.getEntriesByType("resource").filter((e) => e.startTime >= began && e.responseEnd > 0).length >= 2)) break;
        if (performance.now() - began > 30_000) throw new Error("the year was not drawn within 30 s");
        await new Promise((r) => requestAnimationFrame(r));
      }
      await new Promise((r) => requestAnimationFrame(() => setTimeout(r)));
      return performance.now() - began;
    });
  }),
);
for (const [name, path, ready] of [
  ["Wiring", "/wiring", () => document.querySelector(".cells1") !== null],
  ["Cases", "/cases", () => document.querySelector("main h1") !== null && !/^reading/i.test(document.querySelector("main h1").textContent)],
  ["Families", "/families", () => document.querySelector("section.fam") !== null],
  ["Collection", "/collection", () => document.querySelector(".crowg") !== null],
  ["Not judged", "/not-judged", () => document.querySelector(".seen") !== null],
]) {
  tell(`${name}: usable`, "", await rounds(async (page) => { await go(page, path); return painted(page, ready); }));
}
await browser.close();

const elements = Math.max(...start.map((s) => s.nodes));
console.log(`${result.loops} loops, ${result.attention.length} of them on the list, ${result.readings} readings; the list has ${elements} elements at first.\n`);
console.log("| what | target, ms | median of 5, ms | worst, ms |\n| --- | --- | --- | --- |");
console.log(lines.join("\n"));
