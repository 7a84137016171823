// What is seen as a CSV file (RFC 4180), made in the browser from what it holds already.

/** Six figures are more than any number here is worth; what binary fractions add behind them is noise. */
const sixFigures = (v: number): number => (Number.isFinite(v) && !Number.isInteger(v) ? Number(v.toPrecision(6)) : v);

const cell = (v: string | number | boolean | null | undefined): string => {
  const text = v === null || v === undefined ? "" : String(typeof v === "number" ? sixFigures(v) : v);
  return /[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text;
};

/** Text that a spreadsheet would take for a formula is quoted as text. */
const plain = (v: string | number | boolean | null | undefined): string | number | boolean | null | undefined => (typeof v === "string" && /^[=+@\t\r-]/.test(v) && !/^[-+]?[\d.]+$/.test(v) ? `'${v}` : v);

export function csvOf(head: readonly string[], rows: readonly (readonly (string | number | boolean | null | undefined)[])[]): string {
  return [head, ...rows].map((r) => r.map((v) => cell(plain(v))).join(",")).join("\r\n") + "\r\n";
}

export function saveAs(name: string, text: string): void {
  const address = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
  const link = document.createElement("a");
  link.href = address;
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10_000);
}
