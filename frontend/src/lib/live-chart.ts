// The live chart: every channel, drawn no oftener than a change can be seen.
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import type { Mark } from "./live-link";
import type { Bins, Stretch } from "./live-store";
import { colourName, dashOf, marker } from "./looks";
import { clockTime, MINUS, placesIn, stepFor, zoneOffset } from "./times";

export interface LiveOptions {
  names: string[];
  zone: string;
  unit: string;
  height: number;
  /** Whether lines are told apart by dashes as well: too much for very many. */
  dashed: boolean;
}

const LEAST_MS = 250;
const MOST_MS = 1000;
const MANY = 16;

function token(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim() || "#888";
}

export class LiveChart {
  private u: uPlot;
  private span = 0;
  private drawn = 0;
  private timer = 0;
  private frame = 0;
  private marks: Mark[] = [];
  private alone: number | null = null;
  private colours: string[] = [];
  private readonly wide: number;
  private seen = true;
  /** Width of the plot, kept: to ask for it anew would lay out the whole page. */
  private px = 800;

  constructor(
    private readonly place: HTMLElement,
    private readonly o: LiveOptions,
    private readonly whole: Bins,
    private readonly lately: Stretch,
  ) {
    this.wide = o.names.length > MANY ? 1 : 1.8; // thin lines cost a fraction to draw
    this.readColours();
    this.u = new uPlot(this.options(), [[0, 1], ...o.names.map(() => [null, null])] as uPlot.AlignedData, place);
    new ResizeObserver(() => {
      const width = place.clientWidth;
      if (width && Math.abs(width - this.u.width) > 1) this.u.setSize({ width, height: o.height });
      this.px = Math.max(width - 70, 200);
    }).observe(place);
    new IntersectionObserver((seen) => {
      this.seen = seen[seen.length - 1]!.isIntersecting;
      if (this.seen) this.paint();
    }).observe(place);
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.readColours();
      this.u.redraw(false, true);
    });
  }

  /** Show the last `seconds`, or all of it where 0. */
  show(seconds: number): void {
    this.span = seconds;
    this.paint();
  }

  only(channel: number | null): void {
    this.alone = channel;
    this.u.batch(() => {
      this.o.names.forEach((_, i) => {
        const faint = channel !== null && channel !== i;
        const series = this.u.series[i + 1]!;
        series.alpha = faint ? 0.18 : 1;
        series.width = channel === i ? 3 : this.wide;
      });
    });
    this.u.redraw(false, true);
  }

  setMarks(marks: Mark[]): void {
    this.marks = marks;
    this.news();
  }

  /** Something came: draw when it can be seen, at the latest half a second from now. */
  news(): void {
    if (this.timer) return;
    const wait = this.every() - (performance.now() - this.drawn);
    if (wait <= 0) this.paint();
    else this.timer = window.setTimeout(() => this.paint(), wait);
  }

  private every(): number {
    const [from, to] = this.view();
    return Math.min(Math.max(((to - from) / this.px) * 1500, LEAST_MS), MOST_MS); // a pixel and a half
  }

  private view(): [number, number] {
    const source = this.span ? this.lately.x : this.whole.x;
    const to = this.lately.x[this.lately.x.length - 1] ?? source[source.length - 1] ?? 1;
    if (this.span) return [to - this.span, to];
    const from = source[0] ?? to - 1;
    return [from, Math.max(to, from + 10)];
  }

  private paint(): void {
    window.clearTimeout(this.timer);
    this.timer = 0;
    if (this.frame || !this.seen || document.visibilityState === "hidden") return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      const [from, to] = this.view();
      const shown = this.span ? this.lately : this.whole;
      if (!shown.x.length) return;
      this.drawn = performance.now();
      this.u.batch(() => {
        this.u.setData([shown.x, ...shown.y] as unknown as uPlot.AlignedData, false);
        this.u.setScale("x", { min: from, max: to });
      });
    });
  }

  private readColours(): void {
    this.colours = this.o.names.map((_, i) => token(colourName(i)));
  }

  private options(): uPlot.Options {
    const faint = () => token("--faint");
    const font = `13px ${token("--font")}`;
    return {
      width: this.place.clientWidth || 800,
      height: this.o.height,
      padding: [18, 16, 0, 0],
      legend: { show: false },
      cursor: { show: false },
      scales: {
        x: { time: false, auto: false, range: (_u, lo, hi) => [lo, hi] },
        y: {
          range: (_u, lo, hi) => {
            if (lo == null || hi == null) return [0, 100];
            const step = hi - lo > 60 ? 20 : hi - lo > 12 ? 5 : 1;
            return [Math.floor((lo - 0.02 * (hi - lo)) / step) * step, Math.ceil((hi + 0.02 * (hi - lo) + 0.01) / step) * step];
          },
        },
      },
      axes: [
        {
          stroke: faint, font, grid: { show: false }, ticks: { stroke: faint, width: 1, size: 5 }, size: 30,
          splits: (_u, _i, lo, hi) => {
            const step = stepFor(hi - lo, Math.max(2, this.px / 90));
            return placesIn(lo, hi, step, -zoneOffset(lo * 1000, this.o.zone));
          },
          values: (u, splits) => {
            const step = stepFor((u.scales.x!.max ?? 1) - (u.scales.x!.min ?? 0), Math.max(2, this.px / 90));
            return splits.map((s) => clockTime(s * 1000, this.o.zone, 0, step < 60));
          },
        },
        {
          stroke: faint, font, grid: { stroke: () => token("--rule"), width: 0.8 }, ticks: { show: false }, size: 54, gap: 6,
          values: (_u, splits) => splits.map((v) => String(v).replace("-", MINUS)),
        },
      ],
      series: [
        {},
        ...this.o.names.map((name, i) => ({
          label: name,
          width: this.wide,
          stroke: () => this.colours[i]!,
          dash: this.o.dashed ? dashOf(i) : [],
          points: { show: false },
          pxAlign: 0,
        })),
      ],
      hooks: { draw: [(u) => this.over(u)] },
    };
  }

  private over(u: uPlot): void {
    const { ctx, bbox } = u;
    const px = window.devicePixelRatio || 1;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top - 18 * px, bbox.width + 12 * px, bbox.height + 18 * px);
    ctx.clip();
    let level = 0, before = -Infinity;
    ctx.font = `${12 * px}px ${token("--font")}`;
    for (const m of this.marks) {
      const at = u.valToPos(m.time_s, "x", true);
      if (at < bbox.left - 1 || at > bbox.left + bbox.width + 1) continue;
      ctx.strokeStyle = token(m.kind === "fault" || m.kind === "gap" ? "--poor" : "--ink");
      ctx.lineWidth = px;
      ctx.setLineDash([px, 3 * px]);
      ctx.beginPath();
      ctx.moveTo(at, bbox.top);
      ctx.lineTo(at, bbox.top + bbox.height);
      ctx.stroke();
      ctx.setLineDash([]);
      level = at - before < 90 * px ? (level + 1) % 4 : 0;
      before = at;
      ctx.fillStyle = token("--ink");
      ctx.textAlign = at > bbox.left + bbox.width - 80 * px ? "right" : "left";
      ctx.fillText(m.kind, at + (ctx.textAlign === "right" ? -4 : 4) * px, bbox.top + (12 + 14 * level) * px);
    }
    this.ends(u, px);
    ctx.restore();
  }

  /** The newest value of each channel, with its marker: the second cue beside the colour. */
  private ends(u: uPlot, px: number): void {
    const { ctx } = u;
    for (let i = 0; i < this.o.names.length; i++) {
      if (this.alone !== null && this.alone !== i) continue;
      const row = this.lately.y[i]!;
      let k = row.length - 1;
      while (k >= 0 && k > row.length - 40 && row[k] == null) k--;
      const v = row[k];
      if (v == null) continue;
      const path = new Path2D();
      const solid = marker(path, i, u.valToPos(this.lately.x[k]!, "x", true), u.valToPos(v, "y", true), 4 * px);
      ctx.lineWidth = 1.8 * px;
      ctx.strokeStyle = ctx.fillStyle = this.colours[i]!;
      if (solid) ctx.fill(path);
      else ctx.stroke(path);
    }
  }
}
