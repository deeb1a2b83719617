// A chart of the result with its curves in binary, and what lies over it.
import { send } from "./ask";
import type { Curve, Extras, Limit, MarkLine, Spot, Stretch } from "./curves";

export interface Overlays {
  title: string;
  alt: string;
  y_label: string;
  note: string;
  zero_s: number;
  limits: Limit[];
  spots: Spot[];
  stretches: Stretch[];
  marks: MarkLine[];
  looks: Record<string, number>;
}

interface Row {
  name: string;
  look: number;
  points: number;
  time_at: number;
  value_at: number;
  half_at?: number;
}

export function extrasOf(o: Overlays): Extras {
  return { limits: o.limits, spots: o.spots, stretches: o.stretches, marks: o.marks };
}

export async function fetchChart(address: string): Promise<{ about: Overlays; curves: Curve[] }> {
  const answer = await send(address, { headers: { accept: "application/octet-stream" } });
  const bytes = await answer.arrayBuffer();
  const length = new DataView(bytes).getUint32(4, true);
  const text = new TextDecoder().decode(new Uint8Array(bytes, 8, length));
  const about = JSON.parse(text) as Overlays & { channels: Row[] };
  const body = 8 + length;
  return {
    about,
    curves: about.channels.map((row) => ({
      name: row.name,
      look: row.look,
      time: new Float64Array(bytes, body + row.time_at, row.points),
      value: new Float32Array(bytes, body + row.value_at, row.points),
      half: row.half_at === undefined ? undefined : new Float32Array(bytes, body + row.half_at, row.points),
    })),
  };
}
