// What the browser tests share: a browser, a page that keeps a record of what went wrong, axe, pictures, reading.

import assert from "node:assert/strict";
import { accessSync, constants, mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { delimiter, join } from "node:path";
import { chromium } from "playwright-core";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PICTURES = process.env.LOOPWITNESS_PICTURES ?? "";

/** The page from this folder instead of the binary's own: quick to try a change, without its headers. */
const DIST = process.env.LOOPWITNESS_DIST ?? "";
const KINDS = { js: "text/javascript", css: "text/css", svg: "image/svg+xml", html: "text/html" };

async function fromDist(route) {
  const { pathname } = new URL(route.request().url());
  const named = /\.(js|css|svg)$/.test(pathname) ? pathname.slice(1) : "index.html";
  await route.fulfill({ body: readFileSync(join(DIST, named)), contentType: KINDS[named.split(".").pop()] });
}

function needed(name) {
  const value = process.env[name];
  if (!value) throw new Error(`${name} is not set; \`make test\` sets it`);
  return value.replace(/\/+$/, "");
}

/** Address of the running service and of the simulator's control port, without a slash at the end. */
export const service = () => needed("LOOPWITNESS_URL");
export const control = () => needed("LOOPWITNESS_CONTROL");

function browserPath() {
  const named = process.env.LOOPWITNESS_CHROMIUM;
  if (named) return named;
  for (const folder of (process.env.PATH ?? "").split(delimiter)) {
    for (const name of ["chromium", "chromium-browser"]) {
      const file = join(folder, name);
      try {
        accessSync(file, constants.X_OK);
        return file;
      } catch {
        // the next one
      }
    }
  }
  throw new Error("no chromium on the PATH; install it or name it in LOOPWITNESS_CHROMIUM");
}

export const launch = () => chromium.launch({ executablePath: browserPath(), args: ["--disable-dev-shm-usage"] });

/** A page at `width`; `page.faults` fills with console errors, exceptions and requests to another origin. */
export async function open(browser, { width = 1280, height = 900, scheme = "light" } = {}) {
  const context = await browser.newContext({
    viewport: { width, height },
    colorScheme: scheme,
    reducedMotion: "reduce",
    serviceWorkers: "block",
    ...(width < 600 ? { hasTouch: true, isMobile: true, deviceScaleFactor: 2 } : {}),
  });
  const page = await context.newPage();
  if (DIST !== "") await page.route((u) => !/^\/(api|sign|healthz|metrics)/.test(u.pathname), fromDist);
  page.setDefaultTimeout(20_000);
  page.faults = [];
  const origin = new URL(service()).origin;
  page.on("console", (m) => {
    if (m.type() === "error" || m.type() === "warning") page.faults.push(`console: ${m.text()} (${m.location().url})`);
  });
  page.on("pageerror", (e) => page.faults.push(`exception: ${e.message}`));
  page.on("request", (r) => {
    if (new URL(r.url()).origin !== origin) page.faults.push(`foreign request: ${r.url()}`);
  });
  return page;
}

export const go = (page, path) => page.goto(service() + path, { waitUntil: "load" });

/** Waits until the sheet has its heading sentence and no longer says that it is reading. */
export async function settled(page) {
  await page.locator("main h1").first().waitFor();
  await page.waitForFunction(() => !/^(reading|asking)\b/i.test(document.querySelector("main h1")?.textContent ?? ""));
  await page.evaluate(() => document.fonts.ready);
}

export async function picture(page, name, { whole = true } = {}) {
  if (PICTURES === "") return;
  mkdirSync(PICTURES, { recursive: true });
  if (whole) {
    // Traces are asked for as rows come near the window.
    for (let y = 0; y < (await page.evaluate(() => document.documentElement.scrollHeight)) && y < 20_000; y += 800) {
      await page.evaluate((to) => window.scrollTo(0, to), y);
      await page.waitForTimeout(40);
    }
    await page.waitForTimeout(400);
    await page.evaluate(() => window.scrollTo(0, 0));
  }
  await page.screenshot({ path: join(PICTURES, `${name}.png`), fullPage: whole });
}

/** WCAG 2.2 A and AA and axe's good practice; names every failing element. */
export async function axe(page, where) {
  await page.evaluate(AXE);
  const failed = await page.evaluate(async () => {
    const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
    const result = await globalThis.axe.run(document, { runOnly: { type: "tag", values: tags } });
    return result.violations.map((v) => `${v.id}: ${v.help}; ${v.nodes.slice(0, 4).map((n) => `${n.target.join(" ")} ${n.any[0]?.message ?? ""}`).join(" | ")}`);
  });
  assert.deepEqual(failed, [], `axe at ${where}`);
}

/** The document must not scroll sideways. Names what sticks out. */
export async function noSideways(page, where) {
  const out = await page.evaluate(() => {
    const root = document.scrollingElement;
    const wide = document.documentElement.clientWidth;
    if (root === null || root.scrollWidth <= wide) return null;
    const who = [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > wide + 1).slice(0, 5);
    return `${root.scrollWidth} px wide in ${wide}: ${who.map((e) => `${e.tagName.toLowerCase()}.${e.getAttribute("class") ?? ""}`).join(", ")}`;
  });
  assert.equal(out, null, `sideways scrolling at ${where}`);
}

/** JSON of an address of the service. */
export async function read(path) {
  const answer = await fetch(service() + path);
  assert.ok(answer.ok, `${path} answers ${answer.status}`);
  return answer.json();
}

/** The first assessment may still run when the test begins. */
export async function assessed(withinMs = 120_000) {
  const end = Date.now() + withinMs;
  for (;;) {
    const answer = await fetch(`${service()}/api/v1/attention`).catch(() => null);
    if (answer?.ok) return answer.json();
    if (Date.now() > end) throw new Error(`no assessment within ${withinMs / 1000} s (last status ${answer?.status ?? "none"})`);
    await new Promise((r) => setTimeout(r, 1_000));
  }
}

/** Text with every kind of space as one plain space. */
export const plain = (text) => text.replace(/\s+/gu, " ").trim();
export const loopPath = (tag) => `/loop/${encodeURIComponent(tag)}`;
