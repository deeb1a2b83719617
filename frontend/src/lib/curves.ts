// What a chart is given: curves with their own times, and what lies over them.

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

/** Index of the first time at or after `at`. */
export function lower(time: Float64Array, at: number): number {
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
