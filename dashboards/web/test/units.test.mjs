// Units are printed alike on the page and on the sheets that the service makes: units.json holds both
// (the other side: api/src/report/html.rs).

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import ts from "typescript";

const read = (name) => readFileSync(new URL(name, import.meta.url), "utf8");
const { outputText } = ts.transpileModule(read("../src/format.ts"), { compilerOptions: { module: ts.ModuleKind.ESNext, target: ts.ScriptTarget.ES2022 } });
const { unitWords } = await import(`data:text/javascript,${encodeURIComponent(outputText)}`);

test("units as they are printed", () => {
  for (const [unit, printed] of JSON.parse(read("./units.json"))) assert.equal(unitWords(unit), printed);
});
