// The oven from above, coloured by temperature, with the product where time and belt speed put it.
import type { State } from "./live-link";
import type { Bins } from "./live-store";
import { MINUS } from "./times";

export interface OvenFacts {
  kind: "tunnel" | "chamber";
  scale: string[];
  left?: number;
  wide?: number;
  length_m?: number;
  speed_m_s?: number;
  trail?: number;
  trails?: string[];
  cell?: number;
}

const EVERY_MS = 1000;

export class LiveOven {
  private readonly cells = new Map<string, { rect: Element; name: Element; value: Element }>();
  private readonly trails = new Map<string, Element[]>();
  private readonly scaleTexts: { at: number; text: Element }[] = [];
  private readonly product: Element | null;
  private readonly front: Element | null;
  private seen = true;
  private drawn = 0;
  private filled = 0;
  private entry = NaN;
  private low = NaN;
  private high = NaN;

  constructor(
    root: Element,
    private readonly facts: OvenFacts,
    private readonly numbers: Map<string, number>,
    private readonly whole: Bins,
    private readonly shown: (c: number) => number,
    private readonly fahrenheit: boolean,
  ) {
    for (const cell of root.querySelectorAll("[data-cell]")) {
      const [rect, name, value] = [cell.querySelector("rect")!, ...cell.querySelectorAll("text")];
      this.cells.set(cell.getAttribute("data-cell")!, { rect, name: name!, value: value! });
    }
    for (const trail of root.querySelectorAll("[data-trail]"))
      this.trails.set(trail.getAttribute("data-trail")!, [...trail.querySelectorAll("rect")]);
    for (const text of root.querySelectorAll("[data-scale]"))
      this.scaleTexts.push({ at: Number(text.getAttribute("data-scale")), text });
    new IntersectionObserver((seen) => (this.seen = seen[seen.length - 1]!.isIntersecting)).observe(root);
    this.product = root.querySelector("[data-product]");
    this.front = root.querySelector("[data-front]");
  }

  show(state: State): void {
    const now = performance.now();
    if (!this.seen || now - this.drawn < EVERY_MS) return;
    this.drawn = now;
    this.ends(state);
    for (const c of state.channels) {
      const cell = this.cells.get(c.name);
      if (!cell) continue;
      const v = c.value_c;
      put(cell.rect, "fill", v === null ? "none" : this.colour(v));
      const ink = v === null ? "var(--ink)" : v < this.low + 0.52 * (this.high - this.low) ? "#ffffff" : "#000000";
      put(cell.name, "fill", ink);
      put(cell.value, "fill", ink);
      const words = v === null ? "–" : this.shown(v).toFixed(1).replace("-", MINUS);
      if (cell.value.textContent !== words) cell.value.textContent = words;
    }
    this.move(state);
  }

  /** Metres along the belt, NaN while the product was not seen to enter. */
  at(state: State): number {
    if (this.facts.kind !== "tunnel" || !state.entry) return NaN;
    return (state.newest_s - state.entry.time_s) * this.facts.speed_m_s!;
  }

  private ends(state: State): void {
    const [factor, offset, step] = this.fahrenheit ? [1.8, 32, 20] : [1, 0, 10];
    const values = state.channels.map((c) => c.value_c).filter((v) => v !== null);
    if (this.trails.size) values.push(...this.whole.range().filter((v) => Number.isFinite(v)));
    if (!values.length) return;
    let low = Math.floor((Math.min(...values) * factor + offset) / step) * step;
    let high = Math.ceil((Math.max(...values) * factor + offset) / step) * step;
    low = (low - offset) / factor;
    high = (high - offset) / factor;
    high = Math.max(high, low + (2 * step) / factor);
    if (low === this.low && high === this.high) return;
    [this.low, this.high, this.filled] = [low, high, 0];
    for (const { at, text } of this.scaleTexts)
      text.textContent = this.shown(low + at * (high - low)).toFixed(0).replace("-", MINUS);
  }

  private colour(value: number): string {
    const scale = this.facts.scale;
    const at = Math.min(Math.max((value - this.low) / (this.high - this.low), 0), 1) * (scale.length - 1);
    const i = Math.min(Math.floor(at), scale.length - 2);
    const [a, b] = [scale[i]!, scale[i + 1]!];
    const part = (k: number) => {
      const [x, y] = [parseInt(a.slice(k, k + 2), 16), parseInt(b.slice(k, k + 2), 16)];
      return Math.round(x + (y - x) * (at - i)).toString(16).padStart(2, "0");
    };
    return `#${part(1)}${part(3)}${part(5)}`;
  }

  private move(state: State): void {
    const at = this.at(state);
    const { left, wide, length_m, cell, trail, speed_m_s } = this.facts;
    if (at !== at || left === undefined || wide === undefined) return;
    const x = Math.min(Math.max(at / length_m!, 0), 1) * wide;
    this.front?.removeAttribute("visibility");
    put(this.front!, "transform", `translate(${x.toFixed(1)} 0)`);
    const cells = Math.min(Math.max(x - cell! / 2, 0), wide - cell!);
    put(this.product!, "transform", `translate(${cells.toFixed(1)} 0)`);
    if (state.entry!.time_s !== this.entry) [this.entry, this.filled] = [state.entry!.time_s, 0];
    const reached = Math.min(Math.floor((x / wide) * trail!), trail!);
    for (const [name, rects] of this.trails) {
      const c = this.numbers.get(name);
      if (c === undefined) continue;
      for (let k = Math.max(this.filled - 2, 0); k < trail!; k++) {
        if (k >= reached) {
          if (this.filled === 0) put(rects[k]!, "fill", "none");
          else break;
          continue;
        }
        const v = this.whole.at(c, this.entry + (((k + 0.5) / trail!) * length_m!) / speed_m_s!);
        put(rects[k]!, "fill", v === v ? this.colour(v) : "none");
      }
    }
    this.filled = Math.max(reached, 1);
  }
}

function put(element: Element, name: string, value: string): void {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}
