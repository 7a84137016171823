// Columns of the register's list: which are shown stands in the address. Tag and entry always are.

import type { ComponentChildren } from "preact";
import { THIN, num, pct, signedPct, unitWords } from "../format";
import { query, setParam } from "../route";
import { differencePct } from "../scale";
import type { LoopEntry } from "../types";
import { purposeWords } from "../words";

const decimals = (l: LoopEntry): number => Math.min(4, Math.max(...[l.lrv, l.urv].map((v) => (String(v).split(".")[1] ?? "").length)));
export const rangeText = (l: LoopEntry): string => `${num(l.lrv, decimals(l))} to ${num(l.urv, decimals(l))}${THIN}${unitWords(l.pv_unit)}`;
export const wired = (l: LoopEntry): string => [l.junction_box, l.supply, l.input_card, l.modem ?? l.gateway].filter(Boolean).join(", ");
/** How far the two values are apart at the newest reading. */
export const nowPct = (l: LoopEntry): number | null => (l.multidrop || !l.last ? null : differencePct(l, l.last.pv, l.last.analog_ma));

interface Column {
  id: string;
  name: string;
  /** Share or width in the list's grid. */
  width: string;
  right?: boolean;
  cell: (l: LoopEntry) => ComponentChildren;
  /** For the CSV of what is seen. */
  value: (l: LoopEntry) => string | number | null;
}

export const COLUMNS: readonly Column[] = [
  { id: "range", name: "range", width: "minmax(0, 1.5fr)", cell: (l) => `${rangeText(l)}${l.transfer === "linear" ? "" : `, ${l.transfer}`}`, value: rangeText },
  { id: "tolerance", name: "tolerance", width: "72px", right: true, cell: (l) => pct(l.tolerance_pct), value: (l) => l.tolerance_pct },
  { id: "purpose", name: "purpose", width: "104px", cell: (l) => (l.criticality === "safety" ? <b>{purposeWords(l.criticality)}</b> : purposeWords(l.criticality)), value: (l) => l.criticality },
  { id: "area", name: "area", width: "minmax(0, 1fr)", cell: (l) => l.area ?? "", value: (l) => l.area },
  { id: "wired", name: "wired", width: "minmax(0, 1.7fr)", cell: wired, value: wired },
  { id: "device", name: "device", width: "minmax(0, 1.1fr)", cell: (l) => [l.device_type, l.device_revision === null ? null : `revision ${l.device_revision}`].filter(Boolean).join(", "), value: (l) => l.device_type },
  { id: "damping", name: "damping", width: "72px", right: true, cell: (l) => (l.damping_s === null ? "–" : `${num(l.damping_s, 1)}${THIN}s`), value: (l) => l.damping_s },
  { id: "same", name: "watches the same", width: "minmax(0, 1fr)", cell: (l) => l.redundancy_group ?? "", value: (l) => l.redundancy_group },
  { id: "reading", name: "newest reading", width: "minmax(0, 1fr)", right: true, cell: (l) => (l.last?.pv == null ? "–" : `${num(l.last.pv, 2)}${THIN}${unitWords(l.pv_unit)}`), value: (l) => l.last?.pv ?? null },
  { id: "apart", name: "apart now", width: "84px", right: true, cell: (l) => (nowPct(l) === null ? "–" : signedPct(nowPct(l))), value: nowPct },
];
const USUAL = ["range", "tolerance", "purpose", "area", "wired"];

export function chosen(): readonly Column[] {
  const asked = query.value.get("columns");
  const ids = asked === null ? USUAL : asked.split(",");
  return COLUMNS.filter((c) => ids.includes(c.id));
}

export const gridOf = (columns: readonly Column[]): string => `minmax(0, 2.6fr) ${columns.map((c) => c.width).join(" ")} 142px`;

/** Which columns are shown, as a fold beside the filters. */
export function ChooseColumns() {
  const on = chosen().map((c) => c.id);
  const set = (id: string, to: boolean): void => {
    const next = COLUMNS.map((c) => c.id).filter((x) => (x === id ? to : on.includes(x)));
    setParam("columns", next.join() === USUAL.join() ? "" : next.length === 0 ? "none" : next.join());
  };
  return (
    <details class="pickcols">
      <summary>columns</summary>
      <div role="group" aria-label="Columns">
        {COLUMNS.map((c) => (
          <label class="pick" key={c.id}>
            <input type="checkbox" checked={on.includes(c.id)} onChange={(e) => set(c.id, e.currentTarget.checked)} />
            {c.name}
          </label>
        ))}
      </div>
    </details>
  );
}
