// Slices of a run in binary; the layout is told in ovenwright.web.slices.
import { send } from "./ask";

export interface SliceChannel {
  name: string;
  readings: number;
  thinned: boolean;
  gap_s: number;
  /** Seconds since the run's first reading. */
  time: Float64Array;
  /** °C; NaN breaks the line. */
  value: Float32Array;
}

export interface Slice {
  run: string;
  digest: string;
  start: string;
  start_ms: number;
  absolute: boolean;
  time_zone: string;
  duration_s: number;
  from_s: number;
  to_s: number;
  channels: SliceChannel[];
}

interface Row {
  name: string;
  readings: number;
  thinned: boolean;
  gap_s: number;
  points: number;
  time_at: number;
  value_at: number;
}

export function decode(bytes: ArrayBuffer): Slice {
  const view = new DataView(bytes);
  if (bytes.byteLength < 8 || view.getUint32(0) !== 0x4f575331) throw new Error("no slice of a run came");
  const length = view.getUint32(4, true);
  const text = new TextDecoder().decode(new Uint8Array(bytes, 8, length));
  const head = JSON.parse(text) as Omit<Slice, "channels"> & { channels: Row[] };
  const body = 8 + length;
  return {
    ...head,
    channels: head.channels.map((row) => ({
      name: row.name,
      readings: row.readings,
      thinned: row.thinned,
      gap_s: row.gap_s,
      time: new Float64Array(bytes, body + row.time_at, row.points),
      value: new Float32Array(bytes, body + row.value_at, row.points),
    })),
  };
}

export interface Wanted {
  channels?: readonly string[];
  from_s?: number;
  to_s?: number;
  points?: number;
  around?: boolean;
}

/** The slice that the page began to fetch before any script ran; asked for again where that failed. */
export async function firstSlice(address: string): Promise<Slice> {
  // without headers of our own, or the browser would not hand out what it fetched ahead
  const response = await fetch(address, { credentials: "same-origin" });
  const answer = response.ok ? response : await send(address, { headers: { accept: "application/octet-stream" } });
  return decode(await answer.arrayBuffer());
}

export async function fetchSlice(run: string, wanted: Wanted = {}, signal?: AbortSignal): Promise<Slice> {
  const query = new URLSearchParams();
  for (const name of wanted.channels ?? []) query.append("channels", name);
  if (wanted.from_s !== undefined) query.set("from_s", String(wanted.from_s));
  if (wanted.to_s !== undefined) query.set("to_s", String(wanted.to_s));
  if (wanted.points !== undefined) query.set("points", String(Math.round(wanted.points)));
  if (wanted.around) query.set("around", "true");
  const address = `/api/runs/${encodeURIComponent(run)}/series?${query}`;
  const init: RequestInit = { headers: { accept: "application/octet-stream" } };
  if (signal) init.signal = signal;
  return decode(await (await send(address, init)).arrayBuffer());
}
