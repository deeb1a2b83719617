// What a live chart draws: the last stretch reading by reading, and the whole in bins that keep
// every minimum and maximum. Memory stays the same however long the recording lasts.
import type { Lately, Readings, Whole } from "./live-link";

/** undefined is bridged by the line, null breaks it. */
export type Y = number | null | undefined;

const MOST_LATELY = 2400;
const ROOM = 600;
const MOST_BINS = 512;
const PATIENCE = 4;
const LEAST_PATIENCE_S = 3;

export class Stretch {
  x: number[] = [];
  y: Y[][];
  private first = 0;
  private last: number[];

  constructor(
    readonly channels: number,
    public width: number,
  ) {
    this.y = Array.from({ length: channels }, () => []);
    this.last = new Array<number>(channels).fill(-1);
  }

  get start(): number {
    return this.x[0] ?? 0;
  }

  set(lately: Lately, shown: (c: number) => number): void {
    this.width = lately.width;
    this.first = Math.round(lately.start / lately.width);
    this.x = Array.from({ length: lately.bins }, (_, k) => (this.first + k) * this.width);
    this.last.fill(-1);
    for (let c = 0; c < this.channels; c++) {
      this.y[c] = new Array<Y>(lately.bins).fill(undefined);
      for (let k = 0; k < lately.bins; k++) {
        const v = lately.value[c * lately.bins + k]!;
        if (v === v) this.put(c, k, shown(v));
      }
    }
  }

  private put(c: number, k: number, v: number): void {
    const row = this.y[c]!;
    const before = this.last[c]!;
    const patience = Math.max(PATIENCE, LEAST_PATIENCE_S / this.width);
    if (before >= 0 && k - before > patience && row[k - 1] === undefined) row[k - 1] = null;
    row[k] = v;
    if (k > before) this.last[c] = k;
  }

  take(r: Readings, shown: (c: number) => number): void {
    for (let i = 0; i < r.time.length; i++) {
      const place = Math.floor(r.time[i]! / this.width + 1e-6);
      if (!this.x.length) this.first = place;
      let k = place - this.first;
      if (k < 0) continue;
      if (k >= this.x.length + 20 * MOST_LATELY) continue; // a clock gone astray
      if (k - this.x.length > MOST_LATELY) {
        this.clear();
        this.first = place;
        k = 0;
      }
      while (this.x.length <= k) {
        this.x.push((this.first + this.x.length) * this.width);
        for (const row of this.y) row.push(undefined);
      }
      const v = r.value[i]!;
      if (v === v) this.put(r.channel[i]!, k, shown(v));
      else this.y[r.channel[i]!]![k] = null;
    }
    if (this.x.length > MOST_LATELY + ROOM) this.drop(this.x.length - MOST_LATELY);
  }

  private clear(): void {
    this.x.length = 0;
    for (const row of this.y) row.length = 0;
    this.last.fill(-1);
  }

  private drop(n: number): void {
    this.x.splice(0, n);
    for (const row of this.y) row.splice(0, n);
    this.first += n;
    for (let c = 0; c < this.channels; c++) this.last[c] = Math.max(-1, this.last[c]! - n);
  }
}

export class Bins {
  x: number[] = [];
  y: Y[][];
  start = NaN;
  width: number;
  private low: Float32Array;
  private high: Float32Array;
  private lowFirst: Uint8Array;
  private used = 0;

  constructor(
    readonly channels: number,
    readonly interval: number,
    private readonly shown: (c: number) => number,
  ) {
    this.width = interval;
    this.low = new Float32Array(channels * MOST_BINS).fill(NaN);
    this.high = new Float32Array(channels * MOST_BINS).fill(NaN);
    this.lowFirst = new Uint8Array(channels * MOST_BINS);
    this.y = Array.from({ length: channels }, () => []);
  }

  set(whole: Whole): void {
    this.low.fill(NaN);
    this.high.fill(NaN);
    this.start = whole.bins ? whole.start : NaN;
    this.width = whole.width;
    this.used = whole.bins;
    if (whole.bins > MOST_BINS) throw new Error("more bins than there is room for");
    for (let c = 0; c < this.channels; c++) {
      const from = c * whole.bins, to = from + whole.bins;
      this.low.set(whole.low.subarray(from, to), c * MOST_BINS);
      this.high.set(whole.high.subarray(from, to), c * MOST_BINS);
      this.lowFirst.set(whole.lowFirst.subarray(from, to), c * MOST_BINS);
    }
    this.rebuild();
  }

  take(r: Readings): void {
    if (!r.time.length) return;
    if (this.start !== this.start) this.start = Math.floor(r.time[0]! / this.width) * this.width;
    let merged = false;
    for (let i = 0; i < r.time.length; i++) {
      const v = r.value[i]!;
      if (v !== v) continue;
      let k = Math.floor((r.time[i]! - this.start) / this.width);
      if (k < 0 || k > 100 * MOST_BINS) continue;
      while (k >= MOST_BINS) {
        this.halve();
        merged = true;
        k = Math.floor((r.time[i]! - this.start) / this.width);
      }
      const at = r.channel[i]! * MOST_BINS + k;
      const low = this.low[at]!, high = this.high[at]!;
      if (!(v >= low)) {
        this.low[at] = v;
        this.lowFirst[at] = high === high ? 0 : 1;
      }
      if (!(v <= high)) {
        this.high[at] = v;
        this.lowFirst[at] = 1;
      }
      if (k >= this.used) {
        this.used = k + 1;
        if (!merged) this.grow();
      }
      if (!merged) this.place(r.channel[i]!, k);
    }
    if (merged) this.rebuild();
  }

  private halve(): void {
    const half = MOST_BINS / 2;
    for (let c = 0; c < this.channels; c++) {
      const o = c * MOST_BINS;
      for (let k = 0; k < half; k++) {
        const [a, b] = [o + 2 * k, o + 2 * k + 1];
        const low0 = this.low[a]!, low1 = this.low[b]!, high0 = this.high[a]!, high1 = this.high[b]!;
        const lowSecond = !(low0 <= low1) && low1 === low1, highSecond = !(high0 >= high1) && high1 === high1;
        this.low[o + k] = lowSecond ? low1 : low0;
        this.high[o + k] = highSecond ? high1 : high0;
        this.lowFirst[o + k] =
          lowSecond === highSecond ? this.lowFirst[lowSecond ? b : a]! : highSecond ? 1 : 0;
      }
      this.low.fill(NaN, o + half, o + MOST_BINS);
      this.high.fill(NaN, o + half, o + MOST_BINS);
    }
    this.used = (this.used + 1) >> 1;
    this.width *= 2;
  }

  private grow(): void {
    while (this.x.length < 2 * this.used) {
      const k = this.x.length >> 1;
      this.x.push(this.start + (k + 0.25) * this.width, this.start + (k + 0.75) * this.width);
      for (const row of this.y) row.push(undefined, undefined);
    }
  }

  private place(c: number, k: number): void {
    const at = c * MOST_BINS + k;
    const row = this.y[c]!;
    const low = this.low[at]!, high = this.high[at]!;
    if (low !== low) return;
    const first = this.lowFirst[at] ? low : high, second = this.lowFirst[at] ? high : low;
    row[2 * k] = this.shown(first);
    row[2 * k + 1] = this.shown(second);
    const patience = Math.max(2, Math.ceil(Math.max(PATIENCE * this.interval, LEAST_PATIENCE_S) / this.width) + 1);
    if (k > patience && row[2 * k - 1] === undefined) {
      let j = k - 1;
      while (j >= 0 && k - j <= patience && row[2 * j] == null) j--;
      if (k - j > patience) row[2 * k - 1] = null;
    }
  }

  private rebuild(): void {
    this.x = [];
    for (let c = 0; c < this.channels; c++) this.y[c] = [];
    this.grow();
    for (let c = 0; c < this.channels; c++) for (let k = 0; k < this.used; k++) this.place(c, k);
  }

  /** The lowest and highest (°C) of all channels since the start. */
  range(): [number, number] {
    let low = Infinity, high = -Infinity;
    for (let c = 0; c < this.channels; c++)
      for (let at = c * MOST_BINS, end = at + this.used; at < end; at++) {
        if (this.low[at]! < low) low = this.low[at]!;
        if (this.high[at]! > high) high = this.high[at]!;
      }
    return [low, high];
  }

  /** Value (°C) a channel had about a moment, NaN where nothing is known. */
  at(c: number, time: number): number {
    const k = Math.floor((time - this.start) / this.width);
    if (!(k >= 0) || k >= this.used) return NaN;
    const at = c * MOST_BINS + k;
    return (this.low[at]! + this.high[at]!) / 2;
  }
}
