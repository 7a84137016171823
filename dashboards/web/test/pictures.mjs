// Pictures of every page of a running service: 1280 and 390 px, light and dark; list and loop on paper.
// node test/pictures.mjs DIR [--readme] [--only NAME,NAME]

import { mkdirSync, writeFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { assessed, go, launch, loopPath, open, read, service, settled } from "./browser.mjs";

const [folder = "pictures", ...options] = process.argv.slice(2);
mkdirSync(folder, { recursive: true });
const only = options.includes("--only") ? (options[options.indexOf("--only") + 1] ?? "").split(",") : null;
const wanted = ([name]) => only === null || only.includes(name);
const result = await assessed();
const { loops } = await read("/api/v1/loops?limit=1");
const { cases } = await read("/api/v1/cases?state=all");
const drift = result.attention.find((r) => r.findings[0]?.kind === "analog-digital-drift" && r.findings[0].reaches_tolerance_at !== null) ?? result.attention[0];
const quiet = (await read("/api/v1/loops?limit=1000")).loops.find((l) => !l.multidrop && !result.attention.some((r) => r.tag === l.tag));
const silent = result.attention.find((r) => r.findings[0]?.kind === "no-reply");

const PAGES = [
  ["attention", "/"],
  ["loop", drift ? loopPath(drift.tag) : "/"],
  ["loop-quiet", quiet ? loopPath(quiet.tag) : "/"],
  ["loop-silent", silent ? loopPath(silent.tag) : "/"],
  ["loop-6h", drift ? `${loopPath(drift.tag)}?range=6h` : "/"],
  ["wiring", "/wiring"],
  ["cases", "/cases"],
  ["case", cases[0] ? `/cases/${encodeURIComponent(cases[0].id)}` : "/cases"],
  ["families", "/families"],
  ["collection", "/collection"],
  ["not-judged", "/not-judged"],
  ["register", "/register"],
  ["register-edit", `/register?edit=${encodeURIComponent(loops[0].tag)}`],
  ["register-file", "/register/csv"],
  ["work", "/register/work"],
  ["changes", "/register/changes"],
  ["glossary", "/glossary"],
];

/** Waits for what comes as rows come near the window, and for the figures. */
async function wholly(page) {
  await settled(page);
  for (let y = 0; y < (await page.evaluate(() => document.documentElement.scrollHeight)) && y < 20_000; y += 800) {
    await page.evaluate((to) => window.scrollTo(0, to), y);
    await page.waitForTimeout(50);
  }
  await page.waitForLoadState("networkidle").catch(() => null);
  await page.waitForTimeout(500);
  await page.evaluate(() => window.scrollTo(0, 0));
}

const browser = await launch();
if (options.includes("--readme")) {
  const place = join(dirname(fileURLToPath(import.meta.url)), "../../../docs/pictures");
  for (const [name, path, height] of [["attention", "/", 880], ["loop", drift ? loopPath(drift.tag) : "/", 1180]]) {
    const page = await open(browser, { width: 1280, height });
    await go(page, path);
    await wholly(page);
    await page.screenshot({ path: join(place, `${name}.png`) });
    await page.context().close();
  }
}
for (const [name, path] of PAGES.filter(wanted)) {
  for (const width of [1280, 390]) {
    for (const scheme of ["light", "dark"]) {
      const page = await open(browser, { width, scheme });
      page.setDefaultTimeout(90_000);
      await go(page, path);
      await wholly(page);
      await page.screenshot({ path: join(folder, `${name}-${width}-${scheme}.png`), fullPage: true });
      if (page.faults.length > 0) console.error(`${name}, ${width}, ${scheme}: ${page.faults.join("; ")}`);
      await page.context().close();
    }
  }
}

// On paper: A4 landscape, as the style sheet asks, and the sheets that the service writes.
for (const [name, path] of [["attention", "/"], ["loop", drift ? loopPath(drift.tag) : "/"]].filter(wanted)) {
  const page = await open(browser, { width: 1122, height: 794 });
  await go(page, path);
  await wholly(page);
  await page.emulateMedia({ media: "print", colorScheme: "light" });
  await page.screenshot({ path: join(folder, `${name}-print.png`), fullPage: true });
  writeFileSync(join(folder, `${name}-print.pdf`), await page.pdf({ preferCSSPageSize: true, printBackground: true }));
  await page.context().close();
}
for (const [name, path] of [["report", "/api/v1/reports?limit=2"], ["report-loop", drift ? `/api/v1/reports?tag=${encodeURIComponent(drift.tag)}` : "/api/v1/reports?limit=1"], ["trace-svg", drift ? `/api/v1/loops/${encodeURIComponent(drift.tag)}/trace.svg` : "/mark.svg"]].filter(wanted)) {
  const page = await open(browser, { width: 1122, height: 794 });
  await page.goto(service() + path);
  await page.waitForTimeout(400);
  // A picture is no document that could be scrolled.
  await page.screenshot({ path: join(folder, `${name}.png`), fullPage: !path.includes(".svg") });
  if (!path.includes(".svg")) writeFileSync(join(folder, `${name}.pdf`), await page.pdf({ preferCSSPageSize: true, printBackground: true }));
  await page.context().close();
}

await browser.close();
