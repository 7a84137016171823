// A terminal strip: two rails, one cell a loop, one stroke in it. Short: nothing found. Tall: finding. Broken: no reply. Two
// dots: not judged. A bar beneath joins the loops of one cause. One place in the order of Tab; the arrow keys walk along it.

import { useState } from "preact/hooks";
import { loopPath } from "../api";
import { count } from "../format";
import { go } from "../route";
import { plural } from "../words";
import { useNear } from "./near";
import { useWidth } from "./width";

export type Mark = "quiet" | "finding" | "no-reply" | "not-judged";

export interface Terminal {
  tag: string;
  mark: Mark;
  /** What is said of it. */
  words: string;
}

export interface StripProps {
  name: string;
  terminals: readonly Terminal[];
  /** Tags that one cause joins. */
  joined: ReadonlySet<string>;
}

const RAIL = 20;
const ROW = 34;
/** Strokes of a large group stand closer, so that it stays on the sheet; a strip that nearly fits its line is made to fit. */
function pitchOf(n: number, width: number): number {
  const wanted = n > 2_000 ? 2.5 : n > 400 ? 4 : 9;
  const fits = (width - 2) / Math.max(1, n);
  return fits < wanted && fits >= 0.75 * wanted ? fits : wanted;
}
/** A finger takes the nearest finding within so many px before a quiet neighbour. */
const FINGER = 16;

export function Strip({ name, terminals, joined }: StripProps) {
  const [ref, width] = useWidth<HTMLDivElement>();
  // Of thousands of strips only those near the window are drawn.
  const near = useNear(ref);
  const [at, setAt] = useState(-1);
  const pitch = pitchOf(terminals.length, width);
  const per = Math.max(1, Math.floor((width - 2) / pitch + 1e-6));
  const rows = Math.ceil(terminals.length / per);
  const x = (i: number): number => 1 + (i % per) * pitch + pitch / 2;
  const y = (i: number): number => 5 + Math.floor(i / per) * ROW;
  const of = (mark: Mark): number[] => terminals.flatMap((t, i) => (t.mark === mark ? [i] : []));
  const hot = terminals.filter((t) => t.mark === "finding" || t.mark === "no-reply").length;
  const together = terminals.filter((t) => joined.has(t.tag)).length;
  const index = (e: MouseEvent): number => {
    const box = (e.currentTarget as Element).getBoundingClientRect();
    const row = Math.min(rows - 1, Math.max(0, Math.floor((e.clientY - box.top) / ROW)));
    const i = row * per + Math.min(per - 1, Math.max(0, Math.floor((e.clientX - box.left - 1) / pitch)));
    const near = Math.min(terminals.length - 1, i);
    if (!(e instanceof PointerEvent) || e.pointerType !== "touch") return near;
    const found = terminals.map((t, k) => (t.mark === "quiet" || Math.floor(k / per) !== row ? Number.POSITIVE_INFINITY : Math.abs(x(k) - (e.clientX - box.left))));
    const best = found.reduce((b, d, k) => (d < (found[b] ?? Number.POSITIVE_INFINITY) ? k : b), 0);
    return (found[best] ?? Number.POSITIVE_INFINITY) < FINGER ? best : near;
  };
  const open = (i: number): void => {
    const t = terminals[i];
    if (t) go(loopPath(t.tag));
  };
  const key = (e: KeyboardEvent): void => {
    const step: Record<string, number> = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: per, ArrowUp: -per };
    let next = at;
    if (e.key in step) next = Math.max(0, Math.min(terminals.length - 1, (at < 0 ? -1 : at) + (step[e.key] ?? 0)));
    else if (e.key === "Home") next = 0;
    else if (e.key === "End") next = terminals.length - 1;
    else if (e.key === "Enter" && at >= 0) {
      e.preventDefault();
      open(at);
      return;
    } else return;
    e.preventDefault();
    setAt(Math.max(0, next));
  };
  const chosen = terminals[at];
  const cell = (i: number): string => `M${(x(i) - pitch / 2).toFixed(1)} ${y(i)}v${RAIL}`;
  const ends = (row: number): number => 1 + Math.min(per, terminals.length - row * per) * pitch;
  return (
    <div class="strip">
      <span class="snm">{together > 1 ? <b>{name}</b> : name}</span>
      <div
        ref={ref}
        class="cells1"
        style={{ minHeight: `${rows * ROW}px` }}
        role="slider"
        tabIndex={0}
        aria-label={`Strip ${name}, ${count(terminals.length)} ${plural(terminals.length, "loop", "loops")}, ${count(hot)} with a finding`}
        aria-valuemin={0}
        aria-valuemax={Math.max(0, terminals.length - 1)}
        aria-valuenow={Math.max(0, at)}
        aria-valuetext={chosen ? `${chosen.tag}, ${chosen.words}` : "no loop chosen"}
        onKeyDown={key}
        onBlur={() => setAt(-1)}
        onPointerMove={(e) => e.pointerType !== "touch" && setAt(index(e))}
        onPointerLeave={(e) => e.pointerType !== "touch" && setAt(-1)}
        onClick={(e) => (e instanceof PointerEvent && e.pointerType === "touch" ? setAt(index(e)) : open(index(e)))}
      >
        {width > 0 && near && (
          <svg class="fig" width={width} height={rows * ROW} viewBox={`0 0 ${width} ${rows * ROW}`} aria-hidden="true">
            {Array.from({ length: rows }, (_, r) => (
              <path key={r} class="rail" d={`M1 ${5 + r * ROW}H${ends(r)}M1 ${5 + r * ROW + RAIL}H${ends(r)}M${ends(r)} ${5 + r * ROW}v${RAIL}`} />
            ))}
            {pitch >= 5 && <path class="hair" d={terminals.map((_, i) => cell(i)).join("")} />}
            <path class="stk qu" d={of("quiet").map((i) => `M${x(i).toFixed(1)} ${y(i) + 6}v8`).join("")} />
            <path class="dots" d={of("not-judged").map((i) => `M${x(i).toFixed(1)} ${y(i) + 7}h0M${x(i).toFixed(1)} ${y(i) + 13}h0`).join("")} />
            <path class="stk dif" d={of("finding").map((i) => `M${x(i).toFixed(1)} ${y(i) - 4}v28`).join("")} />
            <path class="stk dif" d={of("no-reply").map((i) => `M${x(i).toFixed(1)} ${y(i) - 4}v10M${x(i).toFixed(1)} ${y(i) + 15}v9`).join("")} />
            <Join terminals={terminals} joined={joined} x={x} y={y} per={per} />
            {chosen && <path class="sel" d={`M${(x(at) - Math.max(3, pitch / 2)).toFixed(1)} ${y(at) - 4.5}h${Math.max(6, pitch)}v29h${-Math.max(6, pitch)}z`} />}
          </svg>
        )}
      </div>
      <span class="scn">
        {chosen ? (
          <>
            <a class="tag" href={loopPath(chosen.tag)} tabIndex={-1}>
              {chosen.tag}
            </a>{" "}
            {chosen.words}
          </>
        ) : together > 1 ? (
          <>
            <b>
              {count(together)} of {count(terminals.length)}
            </b>{" "}
            together
          </>
        ) : hot > 0 ? (
          `${count(hot)} of ${count(terminals.length)}`
        ) : (
          count(terminals.length)
        )}
      </span>
    </div>
  );
}

function Join({ terminals, joined, x, y, per }: { terminals: readonly Terminal[]; joined: ReadonlySet<string>; x: (i: number) => number; y: (i: number) => number; per: number }) {
  const at = terminals.flatMap((t, i) => (joined.has(t.tag) ? [i] : []));
  if (at.length < 2) return null;
  const rows = new Map<number, number[]>();
  for (const i of at) rows.set(Math.floor(i / per), [...(rows.get(Math.floor(i / per)) ?? []), i]);
  return (
    <path
      class="join"
      d={[...rows.values()].map((list) => {
        const [a = 0, b = 0] = [list[0], list[list.length - 1]];
        return `M${x(a).toFixed(1)} ${y(a) + 27}H${x(b).toFixed(1)}${list.map((i) => `M${x(i).toFixed(1)} ${y(i) + 24}v3`).join("")}`;
      }).join("")}
    />
  );
}
