// Curves over time: uPlot lays out canvas, axes and selection; curves and everything over them are
// drawn here from typed arrays, each curve with its own times, so that nothing has to be aligned.
//
//   const chart = new Chart(place, { title, unit, yLabel, more: (from, to, points, signal) => … });
//   chart.setCurves(curves);   // again and again where readings grow
//   chart.setExtras({ limits, spots, bands, marks });
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import "../styles/chart.css";
import { listen } from "./chart-hands";
import { FOOT, Painter, token, type Scene } from "./chart-paint";
import { tableOf } from "./chart-table";
import { lower, valueAt, type Curve, type Extras } from "./curves";
import { sample } from "./looks";
import { clockTime, decimalsFor, elapsed, MINUS, placesIn, stepFor, zoneOffset } from "./times";

export interface ChartOptions {
  title: string;
  /** What the picture shows, in words. */
  alt?: string;
  /** C and F: values are °C and shown in that unit; K and R: differences in K, shown in K or °F. */
  unit?: "C" | "F" | "K" | "R" | "";
  yLabel: string;
  /** The elapsed moment that is shown as 0. */
  zero_s?: number;
  /** What elapsed time counts from, in words. */
  zeroWords?: string;
  /** Wall clock of the first reading (ms since 1970) and its zone, where the run has a date. */
  start_ms?: number | undefined;
  zone?: string | undefined;
  clock?: boolean;
  height?: number;
  decimals?: number;
  /** No key, tools or table: a small picture. */
  bare?: boolean;
  /** Gives finer curves of a stretch. */
  more?: (from_s: number, to_s: number, points: number, signal: AbortSignal) => Promise<Curve[]>;
  onView?: (from_s: number, to_s: number) => void;
  /** Told where the pointer stands, null when it left. */
  onCursor?: (at_s: number | null) => void;
  onTrouble?: (cause: unknown) => void;
}

/** Points of all curves together in a zoom: more can't be told apart, and cost on the way. */
const MOST_POINTS = 36_000;
/** Beyond each side of what is shown, so that a small step finds its readings there. */
const PAD = 0.15;

let count = 0;

export class Chart {
  readonly root: HTMLElement;
  private readonly u: uPlot;
  private readonly pane: HTMLElement;
  private readonly key: HTMLElement;
  private readonly at: HTMLElement;
  private readonly under: HTMLElement;
  private readonly table: HTMLDetailsElement;
  private readonly stop = new AbortController();
  private curves: Curve[] = [];
  private finer: Map<string, Curve> = new Map();
  private finerSpan: [number, number] | null = null;
  private extras: Required<Extras> = { limits: [], spots: [], stretches: [], marks: [] };
  private readonly painter = new Painter();
  private readonly off = new Set<string>();
  private readonly keyValues = new Map<string, HTMLElement>();
  private range: [number, number] | null = null;
  private full: [number, number] = [0, 1];
  private asking: AbortController | null = null;
  private timer = 0;
  private asked = 0;
  private frame = 0;
  private pointed: number | null = null;
  private line: number | null = null;
  private clock: boolean;
  private readonly scale: number;
  private readonly offset: number;

  constructor(
    readonly place: HTMLElement,
    private readonly o: ChartOptions,
  ) {
    this.scale = o.unit === "F" || o.unit === "R" ? 1.8 : 1;
    this.offset = o.unit === "F" ? 32 : 0;
    this.clock = Boolean(o.clock && this.dated);
    const id = `chart-${++count}`;
    this.root = document.createElement("div");
    this.root.className = o.bare ? "curves bare" : "curves";
    this.pane = document.createElement("div");
    this.pane.className = "pane";
    this.pane.tabIndex = 0;
    this.pane.setAttribute("role", "group");
    this.pane.setAttribute("aria-label", [o.title, o.alt].filter(Boolean).join(". "));
    this.key = document.createElement("ul");
    this.key.className = "key";
    this.key.setAttribute("aria-label", `Channels in ${o.title}`);
    this.at = document.createElement("p");
    this.at.className = "at";
    this.under = document.createElement("p");
    this.under.className = "under";
    this.table = document.createElement("details");
    this.table.className = "as-table";
    const tools = this.tools(id);
    if (o.bare) this.root.append(this.pane);
    else this.root.append(tools, this.pane, this.under, this.at, this.key, this.tableShell());
    this.pane.setAttribute("aria-describedby", `${id}-how`);
    place.replaceChildren(this.root);
    this.u = new uPlot(this.plotOptions(), [[0, 1], [null, null]], this.pane);
    this.listen();
  }

  /** Elapsed seconds shown now. */
  get view(): [number, number] {
    return this.range ?? this.full;
  }

  get zoomed(): boolean {
    return this.range !== null;
  }

  private get dated(): boolean {
    return this.o.start_ms !== undefined && this.o.zone !== undefined;
  }

  setCurves(curves: Curve[]): void {
    const names = curves.map((c) => c.name).join("\n") !== this.curves.map((c) => c.name).join("\n");
    this.curves = curves;
    let from = Infinity, to = -Infinity;
    for (const c of curves) {
      if (!c.time.length) continue;
      from = Math.min(from, c.time[0]!);
      to = Math.max(to, c.time[c.time.length - 1]!);
    }
    this.full = to > from ? [from, to] : [Number.isFinite(from) ? from : 0, (Number.isFinite(from) ? from : 0) + 1];
    if (names) this.fillKey();
    this.draw();
  }

  setExtras(extras: Extras): void {
    this.extras = { ...this.extras, ...extras };
    this.draw();
  }

  /** Count elapsed time from another moment. */
  setZero(zero_s: number, words: string): void {
    this.o.zero_s = zero_s;
    this.o.zeroWords = words;
    this.draw();
    this.fillTable();
  }

  /** Show a stretch of time; finer curves are asked for. */
  show(from: number, to: number): void {
    const [a, b] = this.full;
    const span = Math.min(Math.max(to - from, 0.05), b - a);
    const start = Math.min(Math.max(from, a), b - span);
    this.range = span >= (b - a) * 0.9999 ? null : [start, start + span];
    this.draw();
    this.ask();
    this.o.onView?.(...this.view);
    this.fillTable();
  }

  whole(): void {
    this.show(...this.full);
  }

  zoom(factor: number, about?: number): void {
    const [a, b] = this.view;
    const at = about ?? (a + b) / 2;
    this.show(at - (at - a) * factor, at + (b - at) * factor);
  }

  shift(share: number): void {
    const [a, b] = this.view;
    this.show(a + share * (b - a), b + share * (b - a));
  }

  setClock(on: boolean): void {
    this.clock = on && this.dated;
    this.draw();
    this.fillTable();
  }

  /** Draw one upright line, such as the moment another picture shows. */
  pointTo(at_s: number | null): void {
    this.line = at_s;
    this.draw();
  }

  /** Show or hide one curve. */
  toggle(name: string, on?: boolean): void {
    if (on ?? this.off.has(name)) this.off.delete(name);
    else this.off.add(name);
    const button = this.keyValues.get(name)?.closest("button");
    button?.setAttribute("aria-pressed", String(!this.off.has(name)));
    this.draw();
    this.fillTable();
  }

  isShown(name: string): boolean {
    return !this.off.has(name);
  }

  destroy(): void {
    this.stop.abort();
    this.asking?.abort();
    window.clearTimeout(this.timer);
    cancelAnimationFrame(this.frame);
    this.u.destroy();
    this.root.remove();
  }

  // what people read ------------------------------------------------------------------------

  private shown(value: number): number {
    return value * this.scale + this.offset;
  }

  private number(value: number, decimals = this.o.decimals ?? 1): string {
    return Number.isFinite(value) ? value.toFixed(decimals).replace("-", MINUS) : "–";
  }

  timeWords(at_s: number, decimals = 0): string {
    if (this.clock) return clockTime((this.o.start_ms ?? 0) + at_s * 1000, this.o.zone ?? "UTC", decimals);
    return elapsed(at_s - (this.o.zero_s ?? 0), decimals);
  }

  private draw(): void {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      const [a, b] = this.view;
      this.u.batch(() => {
        const [lo, hi] = this.yRange(a, b);
        this.u.setData([[a, b], [null, null]], false);
        this.u.setScale("x", { min: a, max: b });
        this.u.setScale("y", { min: lo, max: hi });
      });
      this.u.redraw(false, true);
      this.under.textContent = this.clock
        ? `time of day, ${this.o.zone}`
        : `${this.step(a, b) < 60 ? "min:s" : b - a > 10800 ? "hours:min" : "minutes"} ${this.o.zeroWords ?? "since load-in"}`;
    });
  }

  private step(a: number, b: number): number {
    return stepFor(b - a, Math.max(2, this.u.over.clientWidth / 76));
  }

  private drawn(): Curve[] {
    const [a, b] = this.view;
    const fits = this.range !== null && this.finerSpan && this.finerSpan[0] <= a + 1e-6 && this.finerSpan[1] >= b - 1e-6;
    return this.curves
      .filter((c) => !c.hidden && !this.off.has(c.name))
      .map((c) => (fits && this.finer.get(c.name)) || c);
  }

  private footRows(): number[] {
    const looks = this.extras.stretches.filter((s) => s.kind !== "zone").map((s) => s.look);
    return [...new Set(looks)].sort((x, y) => x - y).slice(0, 10);
  }

  private yRange(a: number, b: number): [number, number] {
    let lo = Infinity, hi = -Infinity;
    for (const c of this.drawn()) {
      const i1 = Math.min(lower(c.time, b) + 1, c.time.length);
      for (let i = Math.max(lower(c.time, a) - 1, 0); i < i1; i++) {
        const v = c.value[i]!;
        const h = c.half ? c.half[i]! : 0;
        if (v - h < lo) lo = v - h;
        if (v + h > hi) hi = v + h;
      }
    }
    if (!(hi >= lo)) [lo, hi] = [0, 1];
    const reach = this.range === null ? Infinity : 0.6 * (hi - lo);
    let [low, high] = [lo, hi];
    for (const l of this.extras.limits)
      if (l.value > lo - reach && l.value < hi + reach) [low, high] = [Math.min(low, l.value), Math.max(high, l.value)];
    const y0 = this.shown(low), y1 = this.shown(high);
    const room = Math.max((y1 - y0) * 0.05, 0.05);
    const rows = this.footRows().length;
    const plot = Math.max(this.u.over.clientHeight, 100);
    const foot = rows ? ((y1 - y0 + 2 * room) * (FOOT * rows + 6)) / Math.max(plot - FOOT * rows - 6, 40) : 0;
    return [y0 - room - foot, y1 + 1.6 * room];
  }

  private plotOptions(): uPlot.Options {
    const faint = () => token("--faint");
    const grid = { stroke: () => token("--rule"), width: 0.8 };
    const font = `12px ${token("--font")}`;
    return {
      ...this.size(),
      padding: [this.o.bare ? 8 : 24, 14, 0, 0],
      legend: { show: false },
      cursor: {
        points: { show: false },
        drag: { x: true, y: false, setScale: false, dist: 6 },
        bind: { dblclick: () => () => { this.whole(); return null; } },
      },
      scales: {
        x: { time: false, auto: false, range: (_u, lo, hi) => [lo, hi] },
        y: { auto: false, range: (_u, lo, hi) => [lo, hi] },
      },
      axes: [
        {
          stroke: faint, font, grid: { show: false }, ticks: { stroke: faint, width: 1, size: 5 }, size: 28,
          splits: (_u, _i, lo, hi) => {
            const step = this.step(lo, hi);
            const offset = this.clock ? zoneOffset((this.o.start_ms ?? 0) + lo * 1000, this.o.zone ?? "UTC") : 0;
            const origin = this.clock ? -(((this.o.start_ms ?? 0) / 1000 + offset) % 604800) : (this.o.zero_s ?? 0);
            return placesIn(lo, hi, step, origin);
          },
          values: (u, splits) => {
            const [lo, hi] = [u.scales.x!.min ?? 0, u.scales.x!.max ?? 1];
            const step = this.step(lo, hi);
            return splits.map((s) => {
              if (this.clock)
                return clockTime((this.o.start_ms ?? 0) + s * 1000, this.o.zone ?? "UTC", decimalsFor(step), step < 60);
              const at = s - (this.o.zero_s ?? 0);
              if (step < 60) return elapsed(at, decimalsFor(step));
              const minutes = Math.round(at / 60);
              if (hi - lo <= 10800) return String(minutes).replace("-", MINUS);
              const m = Math.abs(minutes);
              return `${minutes < 0 ? MINUS : ""}${Math.floor(m / 60)}:${String(m % 60).padStart(2, "0")}`;
            });
          },
        },
        {
          stroke: faint, font, grid, ticks: { show: false }, size: 52, gap: 6,
          label: this.o.bare ? "" : this.o.yLabel, labelFont: `13px ${token("--font")}`,
          labelSize: this.o.bare ? 0 : 22, space: 42,
          values: (_u, splits) => {
            const known = splits.filter((v: number | null) => v !== null);
            const step = known.length > 1 ? Math.abs(known[1]! - known[0]!) : 1;
            const decimals = step > 0 ? Math.min(Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), 6) : 0;
            return splits.map((v: number | null) => (v === null ? "" : this.number(v, decimals)));
          },
          filter: (u, splits) => {
            const floor = u.over.clientHeight - this.footRows().length * FOOT - 6;
            return this.footRows().length ? splits.map((s) => (u.valToPos(s, "y") > floor ? null : s)) : splits;
          },
        },
      ],
      series: [{}, { show: false }],
      hooks: {
        drawClear: [(u) => this.painter.beneath(this.scene(u))],
        draw: [(u) => this.painter.over(this.scene(u))],
        setSelect: [(u) => {
          if (u.select.width < 6) return;
          const from = u.posToVal(u.select.left, "x"), to = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          this.show(from, to);
        }],
        setCursor: [(u) => {
          const left = u.cursor.left ?? -10;
          this.tellAt(left < 0 ? null : u.posToVal(left, "x"));
        }],
      },
    };
  }

  private size(): { width: number; height: number } {
    const width = Math.max(this.pane.clientWidth || this.place.clientWidth, 240);
    return { width, height: this.o.height ?? Math.round(Math.min(Math.max(width * 0.42, 260), 520)) };
  }

  private scene(u: uPlot): Scene {
    const { view, extras, off, line, scale, offset } = this;
    return { u, view, curves: this.drawn(), extras, off, line, scale, offset, footRows: this.footRows() };
  }

  // asking for more -------------------------------------------------------------------------

  private ask(): void {
    const more = this.o.more;
    window.clearTimeout(this.timer);
    this.asking?.abort();
    if (!more || !this.range) return;
    // the first of a row of zooms is asked for at once, the others once the hand rests
    const wait = performance.now() - this.asked > 250 ? 0 : 60;
    this.asked = performance.now();
    this.timer = window.setTimeout(() => {
      const [a, b] = this.view;
      const pad = PAD * (b - a);
      const from = Math.max(a - pad, this.full[0]), to = Math.min(b + pad, this.full[1]);
      const width = this.u.bbox.width;
      const share = Math.floor(MOST_POINTS / Math.max(this.curves.length, 1));
      const points = Math.max(Math.min(Math.round((width * (to - from)) / (b - a)), share), 200);
      const asking = (this.asking = new AbortController());
      more(from, to, points, asking.signal)
        .then((curves) => {
          if (asking.signal.aborted) return;
          this.finer = new Map(curves.map((c) => [c.name, c]));
          this.finerSpan = [from, to];
          this.draw();
          this.fillTable();
          this.root.dataset.finer = `${from} ${to}`;
        })
        .catch((cause: unknown) => {
          if (!asking.signal.aborted) this.o.onTrouble?.(cause);
        });
    }, wait);
  }

  // hands -----------------------------------------------------------------------------------

  private tools(id: string): HTMLElement {
    const tools = document.createElement("div");
    tools.className = "tools";
    tools.setAttribute("role", "group");
    tools.setAttribute("aria-label", `Zoom of ${this.o.title}`);
    const acts: [string, () => void][] = [
      ["Closer", () => this.zoom(0.5)],
      ["Wider", () => this.zoom(2)],
      ["Earlier", () => this.shift(-0.5)],
      ["Later", () => this.shift(0.5)],
      ["All of it", () => this.whole()],
    ];
    for (const [words, act] of acts) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = words;
      button.addEventListener("click", act);
      tools.append(button);
    }
    if (this.dated) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Time of day";
      button.setAttribute("aria-pressed", String(this.clock));
      button.addEventListener("click", () => {
        this.setClock(!this.clock);
        button.setAttribute("aria-pressed", String(this.clock));
      });
      tools.append(button);
    }
    const how = document.createElement("span");
    how.id = `${id}-how`;
    how.className = "note";
    how.textContent = "Drag across to look closer. Keys: ← → move, + − zoom, 0 shows all.";
    tools.append(how);
    return tools;
  }

  private listen(): void {
    const signal = this.stop.signal;
    listen(this.pane, this.u.over, this, signal);
    const again = () => {
      this.u.redraw(false, true);
    };
    for (const media of ["(prefers-color-scheme: dark)", "print"])
      window.matchMedia(media).addEventListener("change", again, { signal });
    const watch = new ResizeObserver(() => {
      const { width, height } = this.size();
      if (Math.abs(width - this.u.width) < 1 && Math.abs(height - this.u.height) < 1) return;
      this.u.setSize({ width, height });
      this.draw();
    });
    watch.observe(this.pane);
    signal.addEventListener("abort", () => watch.disconnect());
  }

  timeOf(clientX: number): number {
    return this.u.posToVal(clientX - this.u.over.getBoundingClientRect().left, "x");
  }

  tellAt(at: number | null): void {
    if (at === this.pointed) return;
    this.pointed = at;
    this.o.onCursor?.(at);
    if (this.o.bare) return;
    const [a, b] = this.view;
    if (at === null) {
      this.at.textContent = "";
      for (const place of this.keyValues.values()) place.textContent = "";
      return;
    }
    const near = this.extras.spots.filter((s) => Math.abs(s.at_s - at) < ((b - a) * 7) / this.u.over.clientWidth);
    this.at.textContent = [`at ${this.timeWords(at, decimalsFor(this.step(a, b) / 10))}`, ...near.map((s) => s.words)].join(" · ");
    for (const c of this.drawn()) {
      const place = this.keyValues.get(c.name);
      if (place) place.textContent = this.number(this.shown(valueAt(c, at)));
    }
  }

  private fillKey(): void {
    this.keyValues.clear();
    this.key.replaceChildren(
      ...this.curves.map((c) => {
        const item = document.createElement("li");
        const button = document.createElement("button");
        button.type = "button";
        button.setAttribute("aria-pressed", String(!this.off.has(c.name)));
        const name = document.createElement("span");
        name.textContent = c.name;
        const value = document.createElement("span");
        value.className = "value";
        button.append(sample(c.look), name, value);
        button.addEventListener("click", () => this.toggle(c.name));
        this.keyValues.set(c.name, value);
        item.append(button);
        return item;
      }),
    );
  }

  private tableShell(): HTMLElement {
    const summary = document.createElement("summary");
    summary.textContent = "The same as a table";
    const box = document.createElement("div");
    box.className = "wide";
    box.tabIndex = 0;
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", `${this.o.title} as a table`);
    this.table.append(summary, box);
    this.table.addEventListener("toggle", () => this.fillTable());
    return this.table;
  }

  private fillTable(): void {
    if (!this.table.open || this.o.bare) return;
    const table = tableOf({
      title: this.o.title, yLabel: this.o.yLabel, view: this.view, curves: this.drawn(), zero_s: this.o.zero_s ?? 0,
      timeWords: (at, decimals) => this.timeWords(at, decimals),
      valueWords: (value) => this.number(this.shown(value)),
    });
    this.table.querySelector(".wide")?.replaceChildren(table);
  }
}
