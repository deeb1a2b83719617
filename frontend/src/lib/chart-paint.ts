// Painting a chart: curves with markers and bands, zones, flagged stretches, limits, marks.
import uPlot from "uplot";
import { lower, type Curve, type Extras } from "./curves";
import { colourName, dashOf, marker } from "./looks";

/** What is painted: the part of the curves that is shown and what lies over them. */
export interface Scene {
  u: uPlot;
  view: [number, number];
  curves: Curve[];
  extras: Required<Extras>;
  off: ReadonlySet<string>;
  /** An upright line, such as the moment another picture shows. */
  line: number | null;
  /** From °C to the unit shown. */
  scale: number;
  offset: number;
  /** Looks of the channels that have a row at the foot. */
  footRows: number[];
}

export const FOOT = 10;
const MANY = 16;

export function token(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim() || "#888";
}

export class Painter {
  private s!: Scene;
  /** Asked of the style sheet once a picture: each asking costs as much as a short curve. */
  private readonly tokens = new Map<string, string>();

  private token(name: string): string {
    let found = this.tokens.get(name);
    if (found === undefined) this.tokens.set(name, (found = token(name)));
    return found;
  }

  private shown(value: number): number {
    return value * this.s.scale + this.s.offset;
  }

  /** What lies under the curves: zones. */
  beneath(scene: Scene): void {
    this.s = scene;
    this.tokens.clear();
    const u = scene.u;
    const { ctx, bbox } = u;
    const px = uPlot.pxRatio;
    ctx.save();
    ctx.font = `${11 * px}px ${this.token("--font")}`;
    ctx.textAlign = "center";
    const zones = this.s.extras.stretches.filter((s) => s.kind === "zone");
    zones.forEach((zone, i) => {
      const x0 = Math.max(u.valToPos(zone.from_s, "x", true), bbox.left);
      const x1 = Math.min(u.valToPos(zone.to_s, "x", true), bbox.left + bbox.width);
      if (x1 <= x0) return;
      if (i % 2 === 0) {
        ctx.fillStyle = this.token("--zone");
        ctx.fillRect(x0, bbox.top, x1 - x0, bbox.height);
      }
      if (ctx.measureText(zone.words).width < x1 - x0) {
        ctx.fillStyle = this.token("--faint");
        ctx.fillText(zone.words, (x0 + x1) / 2, bbox.top - 6 * px);
      }
    });
    ctx.restore();
  }

  /** Curves, and what lies over them. */
  over(scene: Scene): void {
    this.s = scene;
    const u = scene.u;
    const { ctx, bbox } = u;
    const px = uPlot.pxRatio;
    const x = (t: number) => u.valToPos(t, "x", true), y = (v: number) => u.valToPos(this.shown(v), "y", true);
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    this.flagged(ctx, bbox, x, px);
    const curves = this.s.curves;
    // many curves: hair lines without dashes, for colour and marker tell 72 apart and a dashed or
    // broad zigzag costs several times as much to paint
    const many = curves.length > MANY;
    for (const c of curves) this.band(ctx, c, x, y);
    for (const c of curves) {
      ctx.strokeStyle = this.token(colourName(c.look));
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
    for (const s of this.s.extras.spots) {
      if (s.channel && this.s.off.has(s.channel)) continue;
      ctx.beginPath();
      ctx.arc(x(s.at_s), y(s.value), 5.5 * px, 0, 2 * Math.PI);
      ctx.strokeStyle = this.token(colourName(s.look));
      ctx.lineWidth = 1.4 * px;
      ctx.stroke();
    }
    if (this.s.line !== null) {
      ctx.strokeStyle = this.token("--accent");
      ctx.lineWidth = 2 * px;
      ctx.beginPath();
      ctx.moveTo(x(this.s.line), bbox.top);
      ctx.lineTo(x(this.s.line), bbox.top + bbox.height);
      ctx.stroke();
    }
    ctx.restore();
  }

  private path(c: Curve, bbox: uPlot.BBox): Path2D {
    const path = new Path2D();
    const [a, b] = this.s.view;
    const { time, value } = c;
    const kx = bbox.width / (b - a), bx = bbox.left - a * kx;
    const lo = this.s.u.scales.y!.min ?? 0, hi = this.s.u.scales.y!.max ?? 1;
    const ky = -bbox.height / (hi - lo), by = bbox.top - hi * ky;
    const k = this.s.scale * ky, offset = this.s.offset * ky + by;
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
    const [a, b] = this.s.view;
    const i0 = Math.max(lower(c.time, a) - 1, 0), i1 = Math.min(lower(c.time, b) + 1, c.time.length);
    ctx.fillStyle = this.token(colourName(c.look));
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
      const t = this.s.u.posToVal(at, "x", true);
      const j = lower(c.time, t);
      const v = j < c.time.length ? c.value[j]! : NaN;
      if (v === v) solid = marker(path, c.look, this.s.u.valToPos(c.time[j]!, "x", true), this.s.u.valToPos(this.shown(v), "y", true), 3.2 * px);
    }
    const colour = this.token(colourName(c.look));
    if (solid) {
      ctx.fillStyle = colour;
      ctx.fill(path);
      ctx.lineWidth = 0.8 * px;
      ctx.strokeStyle = this.token("--card");
    } else {
      ctx.lineWidth = 1.8 * px;
      ctx.strokeStyle = colour;
    }
    ctx.stroke(path);
  }

  private flagged(ctx: CanvasRenderingContext2D, bbox: uPlot.BBox, x: (t: number) => number, px: number): void {
    const rows = this.s.footRows;
    for (const s of this.s.extras.stretches) {
      if (s.kind === "zone") continue;
      const x0 = x(Math.max(s.from_s, this.s.view[0])), x1 = Math.max(x(Math.min(s.to_s, this.s.view[1])), x0 + 2 * px);
      if (x1 < bbox.left || x0 > bbox.left + bbox.width || s.to_s < this.s.view[0]) continue;
      const colour = this.token(s.kind === "bad" ? "--poor" : "--open");
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
      ctx.fillStyle = ctx.strokeStyle = this.token(colourName(s.look));
      ctx.lineWidth = 1.6 * px;
      if (solid) ctx.fill(path);
      else ctx.stroke(path);
    }
  }

  private words(ctx: CanvasRenderingContext2D, text: string, x: number, y: number, px: number, bold = false): void {
    ctx.font = `${bold ? "600 " : ""}${11.5 * px}px ${this.token("--font")}`;
    ctx.lineJoin = "round";
    ctx.lineWidth = 3.5 * px;
    ctx.strokeStyle = this.token("--card");
    ctx.strokeText(text, x, y);
    ctx.fillStyle = this.token("--ink");
    ctx.fillText(text, x, y);
  }

  private marks(ctx: CanvasRenderingContext2D, bbox: uPlot.BBox, x: (t: number) => number, px: number): void {
    const taken: number[] = [];
    for (const m of [...this.s.extras.marks].sort((p, q) => p.at_s - q.at_s)) {
      const at = x(m.at_s);
      if (at < bbox.left - 1 || at > bbox.left + bbox.width + 1) continue;
      ctx.strokeStyle = this.token("--ink");
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
    for (const l of [...this.s.extras.limits].sort((p, q) => q.value - p.value)) {
      const at = y(l.value);
      if (at < bbox.top || at > bbox.top + bbox.height) continue;
      ctx.strokeStyle = this.token("--ink");
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
      ctx.font = `600 ${11.5 * px}px ${this.token("--font")}`;
      const narrow = bbox.width < 480 * px;
      const words = narrow ? (/[≥≤].*$/.exec(l.words) ?? /[^:]*$/.exec(l.words))![0].trim() : l.words;
      this.words(ctx, words, this.clearest(bbox, text, ctx.measureText(words).width, px), text, px, true);
    }
  }

  /** Where along its line a limit's words cover the least of the curves. */
  private clearest(bbox: uPlot.BBox, at: number, wide: number, px: number): number {
    let best = bbox.left + 6 * px, least = Infinity;
    const curves = this.s.curves;
    for (let k = 0; k <= 12; k++) {
      const x0 = bbox.left + 6 * px + (k / 12) * Math.max(bbox.width - wide - 12 * px, 0);
      let covered = 0;
      for (const c of curves)
        for (let q = 0; q <= 6; q++) {
          const j = lower(c.time, this.s.u.posToVal(x0 + (q / 6) * wide, "x", true));
          const v = j < c.time.length ? c.value[j]! : NaN;
          if (Math.abs(this.s.u.valToPos(this.shown(v), "y", true) - at + 4 * px) < 10 * px) covered++;
        }
      if (covered < least) [least, best] = [covered, x0];
    }
    return best;
  }
}
