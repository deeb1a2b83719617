// Round places on a time axis, and times as people read them: always a 24-hour clock.
const STEPS = [
  0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600,
  43200, 86400, 172800, 604800,
];

export function stepFor(span: number, places: number): number {
  const rough = span / Math.max(places, 1);
  return STEPS.find((s) => s >= rough) ?? 604800 * Math.ceil(rough / 604800);
}

/** Multiples of `step` counted from `origin`, inside the stretch. */
export function placesIn(from: number, to: number, step: number, origin: number): number[] {
  const found: number[] = [];
  const first = Math.ceil((from - origin) / step - 1e-9);
  for (let k = first; origin + k * step <= to + 1e-9 * step && found.length < 500; k++) found.push(origin + k * step);
  return found;
}

function padded(n: number, digits = 2): string {
  return String(n).padStart(digits, "0");
}

export const MINUS = "−";

/** Seconds as m:ss or h:mm:ss, with decimals where the step is finer than a second. */
export function elapsed(seconds: number, decimals = 0): string {
  const scale = 10 ** decimals;
  const whole = Math.round(Math.abs(seconds) * scale);
  const sign = seconds < 0 && whole > 0 ? MINUS : "";
  const s = Math.floor(whole / scale);
  const rest = decimals ? `.${padded(whole % scale, decimals)}` : "";
  const h = Math.floor(s / 3600), m = Math.floor((s % 3600) / 60);
  return h ? `${sign}${h}:${padded(m)}:${padded(s % 60)}${rest}` : `${sign}${m}:${padded(s % 60)}${rest}`;
}

const formats = new Map<string, Intl.DateTimeFormat>();

function parts(ms: number, zone: string): Record<string, string> {
  let format = formats.get(zone);
  if (!format) {
    format = new Intl.DateTimeFormat("en-GB", {
      timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit",
      hour: "2-digit", minute: "2-digit", second: "2-digit",
    });
    formats.set(zone, format);
  }
  return Object.fromEntries(format.formatToParts(ms).map((p) => [p.type, p.value]));
}

/** Seconds that the zone's clock is ahead of UTC at a moment. */
export function zoneOffset(ms: number, zone: string): number {
  const p = parts(ms, zone);
  const local = Date.UTC(
    Number(p.year), Number(p.month) - 1, Number(p.day), Number(p.hour), Number(p.minute), Number(p.second),
  );
  return (local - Math.floor(ms / 1000) * 1000) / 1000;
}

export function clockTime(ms: number, zone: string, decimals = 0, seconds = true): string {
  const scale = 10 ** decimals;
  const rounded = Math.round((ms / 1000) * scale) / scale;
  const p = parts(Math.floor(rounded) * 1000, zone);
  const rest = decimals ? `.${padded(Math.round((rounded - Math.floor(rounded)) * scale), decimals)}` : "";
  return seconds ? `${p.hour}:${p.minute}:${p.second}${rest}` : `${p.hour}:${p.minute}`;
}

export function clockDate(ms: number, zone: string): string {
  const p = parts(ms, zone);
  return `${p.year}-${p.month}-${p.day}`;
}

export function decimalsFor(step: number): number {
  return step >= 1 ? 0 : step >= 0.1 ? 1 : 2;
}
