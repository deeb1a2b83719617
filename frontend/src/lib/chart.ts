// Curves over time: uPlot lays out canvas, axes and selection; curves and everything over them are
// drawn here from typed arrays, each curve with its own times, so that nothing has to be aligned.
//
//   const chart = new Chart(place, { title, unit, yLabel, more: (from, to, points, signal) => … });
//   chart.setCurves(curves);   // again and again where readings grow
//   chart.setExtras({ limits, spots, bands, marks });
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import "../styles/chart.css";
import { colourName, dashOf, marker, sample } from "./looks";
import { clockTime, decimalsFor, elapsed, MINUS, placesIn, stepFor, zoneOffset } from "./times";

export interface Curve {
  name: string;
  /** Numbers colour, marker and dash together. */
  look: number;
  /** Seconds since the run's first reading, rising. */
  time: Float64Array;
  /** °C where the chart has a unit; NaN breaks the line. */
  value: Float32Array | Float64Array;
  /** A step longer than this breaks the line; none when left out. */
  gap_s?: number | undefined;
  /** Half-width of a band about the line, in the units of `value`. */
  half?: Float32Array | Float64Array | undefined;
  faint?: boolean | undefined;
  hidden?: boolean | undefined;
}

export interface Limit {
  value: number;
  words: string;
}

export interface Spot {
  at_s: number;
  value: number;
  words: string;
  look: number;
  channel?: string | undefined;
}

export interface Stretch {
  from_s: number;
  to_s: number;
  words: string;
  /** zone: shaded strip with its name; bad: hatched and along the foot; doubt: along the foot. */
  kind: "zone" | "bad" | "doubt";
  look: number;
}

export interface MarkLine {
  at_s: number;
  words: string;
}

export interface Extras {
  limits?: Limit[];
  spots?: Spot[];
  stretches?: Stretch[];
  marks?: MarkLine[];
}

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

const FOOT = 10;
const MOST_POINTS = 48_000;
const MANY = 16;

let count = 0;

function token(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim() || "#888";
}

/** Index of the first time at or after `at`. */
function lower(time: Float64Array, at: number): number {
  let lo = 0, hi = time.length;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (time[mid]! < at) lo = mid + 1;
    else hi = mid;
  }
  return lo;
}

export function valueAt(curve: Curve, at: number): number {
  const i = lower(curve.time, at);
  const before = i - 1;
  const near =
    i >= curve.time.length ? before : before < 0 || curve.time[i]! - at < at - curve.time[before]! ? i : before;
  if (near < 0 || near >= curve.time.length) return NaN;
  const value = curve.value[near]!;
  const reach = curve.gap_s ?? Infinity;
  return Math.abs(curve.time[near]! - at) > reach && (near === 0 || near === curve.time.length - 1) ? NaN : value;
}

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
        drawClear: [(u) => this.beneath(u)],
        draw: [(u) => this.over(u)],
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

  // drawing ---------------------------------------------------------------------------------

  private beneath(u: uPlot): void {
    const { ctx, bbox } = u;
    const px = uPlot.pxRatio;
    ctx.save();
    ctx.font = `${11 * px}px ${token("--font")}`;
    ctx.textAlign = "center";
    const zones = this.extras.stretches.filter((s) => s.kind === "zone");
    zones.forEach((zone, i) => {
      const x0 = Math.max(u.valToPos(zone.from_s, "x", true), bbox.left);
      const x1 = Math.min(u.valToPos(zone.to_s, "x", true), bbox.left + bbox.width);
      if (x1 <= x0) return;
      if (i % 2 === 0) {
        ctx.fillStyle = token("--zone");
        ctx.fillRect(x0, bbox.top, x1 - x0, bbox.height);
      }
      if (ctx.measureText(zone.words).width < x1 - x0) {
        ctx.fillStyle = token("--faint");
        ctx.fillText(zone.words, (x0 + x1) / 2, bbox.top - 6 * px);
      }
    });
    ctx.restore();
  }

  private over(u: uPlot): void {
    const { ctx, bbox } = u;
    const px = uPlot.pxRatio;
    const x = (t: number) => u.valToPos(t, "x", true), y = (v: number) => u.valToPos(this.shown(v), "y", true);
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    this.flagged(ctx, bbox, x, px);
    const curves = this.drawn();
    // many curves: hair lines without dashes, for colour and marker tell 72 apart and a dashed or
    // broad zigzag costs several times as much to paint
    const many = curves.length > MANY;
    for (const c of curves) this.band(ctx, c, x, y);
    for (const c of curves) {
      ctx.strokeStyle = token(colourName(c.look));
      ctx.globalAlpha = c.faint ? 0.45 : 1;
      ctx.lineWidth = many ? 1 : 1.7 * px;
      ctx.lineJoin = many ? "bevel" : "round";
      ctx.setLineDash(many ? [] : dashOf(c.look).map((d) => d * px));
      ctx.stroke(this.path(c, bbox));
    }
    ctx.globalAlpha = 1;
    ctx.setLineDash([]);
    curves.forEach((c, i) => this.markers(ctx, c, i, curves.length, bbox, px));
    this.marks(ctx, bbox, x, px);
    this.limits(ctx, bbox, y, px);
    for (const s of this.extras.spots) {
      if (s.channel && this.off.has(s.channel)) continue;
      ctx.beginPath();
      ctx.arc(x(s.at_s), y(s.value), 5.5 * px, 0, 2 * Math.PI);
      ctx.strokeStyle = token(colourName(s.look));
      ctx.lineWidth = 1.4 * px;
      ctx.stroke();
    }
    if (this.line !== null) {
      ctx.strokeStyle = token("--accent");
      ctx.lineWidth = 2 * px;
      ctx.beginPath();
      ctx.moveTo(x(this.line), bbox.top);
      ctx.lineTo(x(this.line), bbox.top + bbox.height);
      ctx.stroke();
    }
    ctx.restore();
  }

  private path(c: Curve, bbox: uPlot.BBox): Path2D {
    const path = new Path2D();
    const [a, b] = this.view;
    const { time, value } = c;
    const kx = bbox.width / (b - a), bx = bbox.left - a * kx;
    const lo = this.u.scales.y!.min ?? 0, hi = this.u.scales.y!.max ?? 1;
    const ky = -bbox.height / (hi - lo), by = bbox.top - hi * ky;
    const k = this.scale * ky, offset = this.offset * ky + by;
    const i0 = Math.max(lower(time, a) - 1, 0), i1 = Math.min(lower(time, b) + 1, time.length);
    const gap = c.gap_s ?? Infinity;
    let up = true, last = -Infinity;
    if (i1 - i0 <= 4 * bbox.width) {
      for (let i = i0; i < i1; i++) {
        const v = value[i]!, t = time[i]!;
        if (v !== v) {
          up = true;
          continue;
        }
        const px = t * kx + bx, py = v * k + offset;
        if (up || t - last > gap) path.moveTo(px, py);
        else path.lineTo(px, py);
        up = false;
        last = t;
      }
      return path;
    }
    // more readings than pixels: each column keeps where it came in, its extremes and where it left
    let column = NaN, low = 0, high = 0, out = 0;
    const flush = () => {
      if (column !== column) return;
      path.lineTo(column, low);
      path.lineTo(column, high);
      path.lineTo(column, out);
    };
    for (let i = i0; i < i1; i++) {
      const v = value[i]!, t = time[i]!;
      if (v !== v) {
        flush();
        column = NaN;
        up = true;
        continue;
      }
      const px = Math.round(t * kx + bx), py = v * k + offset;
      const broken = up || t - last > gap;
      last = t;
      if (broken || px !== column) {
        flush();
        if (broken) path.moveTo(px, py);
        else path.lineTo(px, py);
        column = px;
        low = high = py;
      }
      low = Math.min(low, py);
      high = Math.max(high, py);
      out = py;
      up = false;
    }
    flush();
    return path;
  }

  private band(ctx: CanvasRenderingContext2D, c: Curve, x: (t: number) => number, y: (v: number) => number): void {
    if (!c.half) return;
    const [a, b] = this.view;
    const i0 = Math.max(lower(c.time, a) - 1, 0), i1 = Math.min(lower(c.time, b) + 1, c.time.length);
    ctx.fillStyle = token(colourName(c.look));
    ctx.globalAlpha = 0.18;
    for (let start = i0; start < i1; ) {
      let end = start;
      while (end < i1 && Number.isFinite(c.value[end]!) && Number.isFinite(c.half[end]!)) end++;
      if (end - start > 1) {
        ctx.beginPath();
        for (let i = start; i < end; i++) ctx.lineTo(x(c.time[i]!), y(c.value[i]! + c.half[i]!));
        for (let i = end - 1; i >= start; i--) ctx.lineTo(x(c.time[i]!), y(c.value[i]! - c.half[i]!));
        ctx.fill();
      }
      start = end + 1;
    }
    ctx.globalAlpha = 1;
  }

  private markers(
    ctx: CanvasRenderingContext2D, c: Curve, i: number, all: number, bbox: uPlot.BBox, px: number,
  ): void {
    const places = Math.max(2, Math.round(bbox.width / (160 * px)));
    const path = new Path2D();
    let solid = true;
    for (let k = 0; k < places; k++) {
      const at = bbox.left + (bbox.width * (k + 0.15 + (0.7 * i) / Math.max(all, 1))) / places;
      const t = this.u.posToVal(at, "x", true);
      const j = lower(c.time, t);
      const v = j < c.time.length ? c.value[j]! : NaN;
      if (v === v) solid = marker(path, c.look, this.u.valToPos(c.time[j]!, "x", true), this.u.valToPos(this.shown(v), "y", true), 3.2 * px);
    }
    const colour = token(colourName(c.look));
    if (solid) {
      ctx.fillStyle = colour;
      ctx.fill(path);
      ctx.lineWidth = 0.8 * px;
      ctx.strokeStyle = token("--card");
    } else {
      ctx.lineWidth = 1.8 * px;
      ctx.strokeStyle = colour;
    }
    ctx.stroke(path);
  }

  private flagged(ctx: CanvasRenderingContext2D, bbox: uPlot.BBox, x: (t: number) => number, px: number): void {
    const rows = this.footRows();
    for (const s of this.extras.stretches) {
      if (s.kind === "zone") continue;
      const x0 = x(Math.max(s.from_s, this.view[0])), x1 = Math.max(x(Math.min(s.to_s, this.view[1])), x0 + 2 * px);
      if (x1 < bbox.left || x0 > bbox.left + bbox.width || s.to_s < this.view[0]) continue;
      const colour = token(s.kind === "bad" ? "--poor" : "--open");
      if (s.kind === "bad" && x1 - x0 < 0.98 * bbox.width) {
        ctx.save();
        ctx.beginPath();
        ctx.rect(x0, bbox.top, x1 - x0, bbox.height);
        ctx.clip();
        ctx.strokeStyle = colour;
        ctx.globalAlpha = 0.4;
        ctx.lineWidth = 1.5 * px;
        ctx.beginPath();
        for (let d = x0 - bbox.height; d < x1; d += 8 * px) {
          ctx.moveTo(d, bbox.top + bbox.height);
          ctx.lineTo(d + bbox.height, bbox.top);
        }
        ctx.stroke();
        ctx.restore();
      }
      const row = rows.indexOf(s.look);
      const y = bbox.top + bbox.height - (8 + FOOT * Math.max(row, 0)) * px;
      ctx.fillStyle = colour;
      ctx.fillRect(x0, y - 2 * px, x1 - x0, 4 * px);
      const path = new Path2D();
      const solid = marker(path, s.look, Math.max(x0, bbox.left) + 5 * px, y, 3.2 * px);
      ctx.fillStyle = ctx.strokeStyle = token(colourName(s.look));
      ctx.lineWidth = 1.6 * px;
      if (solid) ctx.fill(path);
      else ctx.stroke(path);
    }
  }

  private words(ctx: CanvasRenderingContext2D, text: string, x: number, y: number, px: number, bold = false): void {
    ctx.font = `${bold ? "600 " : ""}${11.5 * px}px ${token("--font")}`;
    ctx.lineJoin = "round";
    ctx.lineWidth = 3.5 * px;
    ctx.strokeStyle = token("--card");
    ctx.strokeText(text, x, y);
    ctx.fillStyle = token("--ink");
    ctx.fillText(text, x, y);
  }

  private marks(ctx: CanvasRenderingContext2D, bbox: uPlot.BBox, x: (t: number) => number, px: number): void {
    const taken: number[] = [];
    for (const m of [...this.extras.marks].sort((p, q) => p.at_s - q.at_s)) {
      const at = x(m.at_s);
      if (at < bbox.left - 1 || at > bbox.left + bbox.width + 1) continue;
      ctx.strokeStyle = token("--ink");
      ctx.lineWidth = px;
      ctx.setLineDash([px, 3 * px]);
      ctx.beginPath();
      ctx.moveTo(at, bbox.top);
      ctx.lineTo(at, bbox.top + bbox.height);
      ctx.stroke();
      ctx.setLineDash([]);
      const level = taken.filter((t) => Math.abs(t - at) < 80 * px).length % 4;
      taken.push(at);
      const ends = at > bbox.left + bbox.width - 60 * px;
      ctx.textAlign = ends ? "right" : "left";
      this.words(ctx, m.words, at + (ends ? -4 : 4) * px, bbox.top + (12 + 13 * level) * px, px);
    }
    ctx.textAlign = "left";
  }

  private limits(ctx: CanvasRenderingContext2D, bbox: uPlot.BBox, y: (v: number) => number, px: number): void {
    const placed: number[] = [];
    for (const l of [...this.extras.limits].sort((p, q) => q.value - p.value)) {
      const at = y(l.value);
      if (at < bbox.top || at > bbox.top + bbox.height) continue;
      ctx.strokeStyle = token("--ink");
      ctx.lineWidth = 1.2 * px;
      ctx.setLineDash([10 * px, 4 * px]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, at);
      ctx.lineTo(bbox.left + bbox.width, at);
      ctx.stroke();
      ctx.setLineDash([]);
      let text = at - 4 * px;
      while (placed.some((p) => Math.abs(p - text) < 13 * px)) text += 13 * px;
      placed.push(text);
      ctx.font = `600 ${11.5 * px}px ${token("--font")}`;
      const narrow = bbox.width < 480 * px;
      const words = narrow ? (/[≥≤].*$/.exec(l.words) ?? /[^:]*$/.exec(l.words))![0].trim() : l.words;
      this.words(ctx, words, this.clearest(bbox, text, ctx.measureText(words).width, px), text, px, true);
    }
  }

  /** Where along its line a limit's words cover the least of the curves. */
  private clearest(bbox: uPlot.BBox, at: number, wide: number, px: number): number {
    let best = bbox.left + 6 * px, least = Infinity;
    const curves = this.drawn();
    for (let k = 0; k <= 12; k++) {
      const x0 = bbox.left + 6 * px + (k / 12) * Math.max(bbox.width - wide - 12 * px, 0);
      let covered = 0;
      for (const c of curves)
        for (let q = 0; q <= 6; q++) {
          const j = lower(c.time, this.u.posToVal(x0 + (q / 6) * wide, "x", true));
          const v = j < c.time.length ? c.value[j]! : NaN;
          if (Math.abs(this.u.valToPos(this.shown(v), "y", true) - at + 4 * px) < 10 * px) covered++;
        }
      if (covered < least) [least, best] = [covered, x0];
    }
    return best;
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
      const pad = 0.25 * (b - a);
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
    this.pane.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const acts: Record<string, () => void> = {
        ArrowLeft: () => this.shift(-0.2), ArrowRight: () => this.shift(0.2),
        PageUp: () => this.shift(-0.9), PageDown: () => this.shift(0.9),
        "+": () => this.zoom(0.6), "=": () => this.zoom(0.6), "-": () => this.zoom(1 / 0.6),
        "0": () => this.whole(), Home: () => this.whole(), Escape: () => this.whole(),
      };
      const act = acts[event.key];
      if (!act) return;
      event.preventDefault();
      act();
    }, { signal });
    this.pane.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      this.zoom(event.deltaY > 0 ? 1.25 : 0.8, this.timeOf(event.clientX));
    }, { signal, passive: false });
    this.touch(signal);
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

  private timeOf(clientX: number): number {
    return this.u.posToVal(clientX - this.u.over.getBoundingClientRect().left, "x");
  }

  /** One finger moves along time, two fingers zoom; upwards the page scrolls as usual. */
  private touch(signal: AbortSignal): void {
    const over = this.u.over;
    const fingers = new Map<number, number>();
    let held: { view: [number, number]; xs: number[] } | null = null;
    const take = () => {
      held = { view: [...this.view] as [number, number], xs: [...fingers.values()] };
    };
    over.style.touchAction = "pan-y";
    over.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "mouse") return;
      fingers.set(event.pointerId, event.clientX);
      take();
    }, { signal });
    over.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId) || !held) return;
      fingers.set(event.pointerId, event.clientX);
      const box = over.getBoundingClientRect();
      const [a, b] = held.view;
      const time = (x: number) => a + ((x - box.left) / box.width) * (b - a);
      const now = [...fingers.values()];
      if (now.length === 1) {
        const moved = time(held.xs[0]!) - time(now[0]!);
        this.show(a + moved, b + moved);
        this.tellAt(this.timeOf(now[0]!));
      } else if (now.length === 2 && held.xs.length === 2) {
        const before = Math.abs(held.xs[0]! - held.xs[1]!) || 1, after = Math.abs(now[0]! - now[1]!) || 1;
        const middle = time((held.xs[0]! + held.xs[1]!) / 2), factor = before / after;
        this.show(middle - (middle - a) * factor, middle + (b - middle) * factor);
      }
    }, { signal });
    const lift = (event: PointerEvent) => {
      fingers.delete(event.pointerId);
      if (fingers.size) take();
      else held = null;
    };
    for (const name of ["pointerup", "pointercancel"] as const) window.addEventListener(name, lift, { signal });
  }

  private tellAt(at: number | null): void {
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
    const [a, b] = this.view;
    const curves = this.drawn();
    const table = document.createElement("table");
    const caption = table.createCaption();
    caption.textContent = `${this.o.title}: ${this.o.yLabel}, ${this.timeWords(a)} to ${this.timeWords(b)}`;
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
    for (const at of [a, ...placesIn(a, b, step, this.o.zero_s ?? 0).filter((t) => t > a && t < b), b]) {
      const row = body.insertRow();
      const cell = document.createElement("th");
      cell.scope = "row";
      cell.textContent = this.timeWords(at, decimalsFor(step));
      row.append(cell);
      for (const c of curves) {
        const one = row.insertCell();
        one.className = "n";
        one.textContent = this.number(this.shown(valueAt(c, at)));
      }
    }
    this.table.querySelector(".wide")?.replaceChildren(table);
  }
}
