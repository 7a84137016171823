// The register: what the site says of each loop. Find, sort, confirm what gateways showed, change an entry.

import { computed, signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { loopPath } from "../api";
import { csvOf, saveAs } from "../csv";
import { byName, count } from "../format";
import { query, setParam } from "../route";
import { loops, readRegister, registerRead } from "../state";
import type { LoopEntry } from "../types";
import { VirtualRows } from "../virtual";
import { PURPOSE_NAMES, countWord, plural, purposeWords } from "../words";
import { ChooseColumns, chosen, gridOf, wired } from "./registercolumns";
import { Confirm, pick, picked } from "./registerconfirm";
import { Edit } from "./registeredit";
import { RegisterParts } from "./registerparts";

const ROW = 34;
const ROW_PHONE = 50;
/** Columns that the CSV does not have anyway. */
const EXTRA: ReadonlySet<string> = new Set(["damping", "same", "reading", "apart"]);
const narrow = typeof matchMedia === "function" ? matchMedia("(max-width: 760px)") : null;
const phone = signal(narrow?.matches ?? false);
narrow?.addEventListener("change", (e) => {
  phone.value = e.matches;
});

const SORTS: Record<string, (a: LoopEntry, b: LoopEntry) => number> = {
  tag: (a, b) => byName(a.tag, b.tag),
  area: (a, b) => byName(a.area ?? "", b.area ?? ""),
  tolerance: (a, b) => a.tolerance_pct - b.tolerance_pct,
  purpose: (a, b) => PURPOSE_NAMES.indexOf(a.criticality) - PURPOSE_NAMES.indexOf(b.criticality),
  wired: (a, b) => byName(wired(a), wired(b)),
};

const shown = computed(() => {
  const q = query.value;
  const find = (q.get("find") ?? "").trim().toLowerCase();
  const [area, purpose, state] = [q.get("area") ?? "", q.get("criticality") ?? "", q.get("state") ?? ""];
  const takes = (l: LoopEntry): boolean =>
    (area === "" || l.area === area) &&
    (purpose === "" || l.criticality === purpose) &&
    (state === "unconfirmed" ? !l.confirmed && !l.retired : state === "retired" ? l.retired : state === "all" || !l.retired) &&
    (find === "" || [l.tag, l.service, l.area, l.pv_unit, wired(l), l.device_type, l.redundancy_group].some((t) => (t ?? "").toLowerCase().includes(find)));
  const asked = q.get("sort") ?? "tag";
  const order = SORTS[asked.replace(/^-/, "")] ?? SORTS["tag"];
  const list = [...loops.value.values()].filter(takes).sort((a, b) => order?.(a, b) || SORTS["tag"]?.(a, b) || 0);
  return asked.startsWith("-") ? list.reverse() : list;
});

export function Register() {
  useEffect(() => {
    document.title = "Register, Loopwitness";
    void readRegister();
  }, []);
  const all = [...loops.value.values()];
  const live = all.filter((l) => !l.retired);
  const open = live.filter((l) => !l.confirmed);
  const editing = query.value.get("edit");
  const entry = editing === null ? undefined : loops.value.get(editing);
  if (!registerRead.value) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>Reading the register.</h1>
      </section>
    );
  }
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>
          {all.length === 0
            ? "The register is empty."
            : `${countWord(live.length, count)} ${plural(live.length, "loop", "loops")}. ${open.length === 0 ? "Each entry was given or confirmed by a person." : `${countWord(open.length, count)} came from ${plural(open.length, "its device", "their devices")} and ${plural(open.length, "waits", "wait")} to be confirmed.`}`}
        </h1>
        <p class="sub">
          {all.length === 0
            ? "Give a loops.csv below, or a gateway address in site.toml: what a gateway shows is entered with what the device says of itself."
            : "Range and transfer function decide what current belongs to a value; tolerance and purpose decide what asks for attention. A change holds from a time on and keeps what was before."}
        </p>
        <RegisterParts here="/register" />
      </section>
      {entry && <Edit key={entry.tag} loop={entry} />}
      {all.length > 0 && <Filters all={all} />}
      {all.length > 0 && <Table />}
      {open.length > 0 && <Confirm open={open} seen={shown.value} />}
    </>
  );
}

function Filters({ all }: { all: LoopEntry[] }) {
  const q = query.value;
  const areas = [...new Set(all.map((l) => l.area).filter((x): x is string => !!x))].sort();
  const choose = (name: string) => (e: Event) => setParam(name, (e.currentTarget as HTMLInputElement).value);
  const select = (name: string, label: string, options: [string, string][]) => (
    <label>
      {label}
      <select value={q.get(name) ?? ""} onChange={choose(name)}>
        {options.map(([v, words]) => (
          <option key={v} value={v}>
            {words}
          </option>
        ))}
      </select>
    </label>
  );
  const extra = chosen().filter((c) => EXTRA.has(c.id));
  const csv = () =>
    saveAs(
      "register-seen.csv",
      csvOf(
        ["tag", "service", "pv_unit", "lrv", "urv", "transfer", "tolerance_pct", "criticality", "area", "gateway", "modem", "channel", "input_card", "junction_box", "supply", "device_type", "device_revision", "confirmed", ...extra.map((c) => c.name.replaceAll(" ", "_"))],
        shown.value.map((l) => [l.tag, l.service, l.pv_unit, l.lrv, l.urv, l.transfer, l.tolerance_pct, l.criticality, l.area, l.gateway, l.modem, l.channel, l.input_card, l.junction_box, l.supply, l.device_type, l.device_revision, l.confirmed, ...extra.map((c) => c.value(l))]),
      ),
    );
  return (
    <form class="filt open" role="search" aria-label="Which loops" onSubmit={(e) => e.preventDefault()}>
      <label>
        Find
        <input id="find" type="search" value={q.get("find") ?? ""} placeholder="tag or word" onInput={choose("find")} />
      </label>
      {select("area", "Area", [["", "every area"], ...areas.map((x): [string, string] => [x, x])])}
      {select("criticality", "For", [["", "any purpose"], ...PURPOSE_NAMES.map((x): [string, string] => [x, purposeWords(x)])])}
      {select("state", "Entries", [["", "in use"], ["unconfirmed", "to be confirmed"], ["retired", "retired"], ["all", "all"]])}
      {select("sort", "Order", [["", "by tag"], ["area", "by area"], ["purpose", "by purpose"], ["tolerance", "tolerance, tightest first"], ["-tolerance", "tolerance, widest first"], ["wired", "by wiring"]])}
      <ChooseColumns />
      <span class="as">
        <button type="button" onClick={csv}>
          CSV of these
        </button>
      </span>
    </form>
  );
}

function Table() {
  const list = shown.value;
  const q = query.value;
  const columns = chosen();
  return (
    <div class="reg" style={{ "--cols": gridOf(columns) }}>
      <p class="nt" aria-live="polite">
        {list.length === 0 ? `No loop fits. ${count(loops.value.size)} without the filter.` : `${count(list.length)} ${plural(list.length, "loop", "loops")}`}
      </p>
      <div role="table" aria-label="Register" aria-rowcount={list.length + 1}>
        <div role="rowgroup">
          <div class="vhead" role="row" aria-rowindex={1}>
            <span role="columnheader" class="c0">
              tag and service
            </span>
            {columns.map((c, i) => (
              <span key={c.id} role="columnheader" class={`cx n${i}${c.right ? " r" : ""}`}>
                {c.name}
              </span>
            ))}
            <span role="columnheader" class="c6">
              entry
            </span>
          </div>
        </div>
        {list.length > 0 && (
          <VirtualRows count={list.length} rowHeight={phone.value ? ROW_PHONE : ROW} label="Loops of the register" from={q.toString().replace(/edit=[^&]*/, "")} row={(i) => <Line l={list[i]} columns={columns} />} />
        )}
      </div>
    </div>
  );
}

function Line({ l, columns }: { l: LoopEntry | undefined; columns: ReturnType<typeof chosen> }) {
  if (!l) return null;
  const on = picked.value.has(l.tag);
  return (
    <>
      <span role="cell" class="c0">
        <a class="tag" href={loopPath(l.tag)}>
          {l.tag}
        </a>{" "}
        {l.service ?? ""}
      </span>
      {columns.map((c, i) => (
        <span key={c.id} role="cell" class={`cx n${i}${c.right ? " r" : ""}`}>
          {c.cell(l)}
        </span>
      ))}
      <span role="cell" class="c6">
        {l.retired ? (
          "retired"
        ) : (
          <>
            {!l.confirmed && (
              <label class="pick">
                <input type="checkbox" checked={on} onChange={(e) => pick(l.tag, e.currentTarget.checked)} aria-label={`Confirm ${l.tag}`} /> confirm
              </label>
            )}
            <button type="button" aria-label={`Change ${l.tag}`} onClick={() => setParam("edit", l.tag)}>
              change
            </button>
          </>
        )}
      </span>
    </>
  );
}
