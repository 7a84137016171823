// Columns of numbers as the service packs them for pages: `LWC1`, the length of a JSON head as u32, the head, then one
// array a column at its offset after the head. All little-endian; NaN (in i16: -1) = missing.

import { Refusal, fetched } from "./api";

const TYPE = "application/vnd.loopwitness.columns";

export type Cells = (number | null)[];
export interface Table {
  about: Record<string, unknown>;
  rows: number;
  /** What is missing in every row was left out by the service, and reads as nothing but null. */
  column: (name: string) => Cells;
}

interface Head {
  tables: ({ rows: number; columns: { name: string; type: string; at: number }[] } & Record<string, unknown>)[];
}

const ARRAYS = {
  f64: Float64Array,
  f32: Float32Array,
  u32: Uint32Array,
  i16: Int16Array,
  u8: Uint8Array,
} as const;

const broken = (what: string): never => {
  throw new Refusal(`The service answered columns that cannot be read: ${what}.`, 200);
};

export function unpack(bytes: ArrayBuffer): Table[] {
  const view = new DataView(bytes);
  if (bytes.byteLength < 8 || view.getUint32(0, false) !== 0x4c574331) broken("they do not begin as they should");
  const data = 8 + view.getUint32(4, true);
  if (data > bytes.byteLength || data % 8 !== 0) broken("the head is cut off");
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 8, data - 8))) as Head;
  return head.tables.map(({ rows, columns, ...about }) => {
    const found = new Map(
      columns.map((c) => {
        const kind = ARRAYS[c.type as keyof typeof ARRAYS] ?? broken(`type ${c.type}`);
        if (data + c.at + rows * kind.BYTES_PER_ELEMENT > bytes.byteLength) broken(`${c.name} is cut off`);
        const values = new kind(bytes, data + c.at, rows);
        const missing = c.type === "i16" ? (v: number) => v < 0 : Number.isNaN;
        return [c.name, () => Array.from(values as ArrayLike<number>, (v) => (missing(v) ? null : v))] as const;
      }),
    );
    return { about, rows, column: (name) => found.get(name)?.() ?? new Array<null>(rows).fill(null) };
  });
}

/** GET an address below /api/v1 and read its columns. */
export async function getTables(path: string, signal?: AbortSignal): Promise<Table[]> {
  const answer = await fetched(path, { headers: { accept: `${TYPE}, application/problem+json;q=0.1` }, ...(signal ? { signal } : {}) });
  const bytes = await answer.arrayBuffer();
  try {
    return unpack(bytes);
  } catch (e) {
    if (e instanceof Refusal) throw e;
    return broken("the head is no JSON");
  }
}
