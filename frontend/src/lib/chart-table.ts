// What a chart shows, as a table.
import { valueAt, type Curve } from "./curves";
import { decimalsFor, placesIn, stepFor } from "./times";

export interface Tabled {
  title: string;
  yLabel: string;
  view: [number, number];
  curves: Curve[];
  zero_s: number;
  timeWords(at_s: number, decimals?: number): string;
  valueWords(value: number): string;
}

export function tableOf(t: Tabled): HTMLTableElement {
  const { view: [a, b], curves } = t;
  const table = document.createElement("table");
  const caption = table.createCaption();
  caption.textContent = `${t.title}: ${t.yLabel}, ${t.timeWords(a)} to ${t.timeWords(b)}`;
  const head = table.createTHead().insertRow();
  for (const words of ["time", ...curves.map((c) => c.name)]) {
    const cell = document.createElement("th");
    cell.scope = "col";
    if (words !== "time") cell.className = "n";
    cell.textContent = words;
    head.append(cell);
  }
  const body = table.createTBody();
  const step = stepFor(b - a, 20);
  for (const at of [a, ...placesIn(a, b, step, t.zero_s).filter((t) => t > a && t < b), b]) {
    const row = body.insertRow();
    const cell = document.createElement("th");
    cell.scope = "row";
    cell.textContent = t.timeWords(at, decimalsFor(step));
    row.append(cell);
    for (const c of curves) {
      const one = row.insertCell();
      one.className = "n";
      one.textContent = t.valueWords(valueAt(c, at));
    }
  }
  return table;
}
