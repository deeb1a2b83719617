// The socket to a recording: it says when it is cut, tries again with back-off and asks for what
// it missed. Binary messages as in ovenwright/web/tailing.py.

export interface ChannelNow {
  name: string;
  value_c: number | null;
  rate_k_min: number | null;
  health: string;
  age_s: number | null;
  count: number;
}

/** When something will be: the median, and what holds it nine times in ten. */
export interface Foreseen {
  channel: string;
  median_s: number;
  low_s: number;
  high_s: number;
  open_ended: boolean;
}

export interface Forecast {
  at_s: number;
  found: (Foreseen & { level_c: number })[];
  requirements?: undefined | (Foreseen & { requirement: string })[];
  refused: string;
  rests_on: string[];
  caution: string;
}

export interface State {
  state: string;
  words: string;
  from_s: number;
  newest_s: number;
  durable_s: number;
  readings: number;
  channels: ChannelNow[];
  coming: { name: string; channel: string; level_c: number; in_s: number }[];
  alarms: { name: string; channel: string; text: string; since_s: number }[];
  entry: { time_s: number; marked: boolean; words: string } | null;
  left_s: number | null;
  remarks: string[];
  links: string[];
  forecast: Forecast | null;
}

export interface Mark {
  kind: string;
  time_s: number;
  text: string;
  by: string;
  channel: string | null;
}

export interface Readings {
  seq: number;
  durable_s: number;
  time: Float64Array;
  value: Float32Array;
  channel: Uint16Array;
  quality: Uint8Array;
}

export interface Whole {
  start: number;
  width: number;
  bins: number;
  channels: number;
  low: Float32Array;
  high: Float32Array;
  lowFirst: Uint8Array;
}

export interface Lately {
  start: number;
  width: number;
  bins: number;
  channels: number;
  value: Float32Array;
}

export interface Takes {
  state(state: State): void;
  marks(marks: Mark[]): void;
  readings(readings: Readings): void;
  whole(whole: Whole): void;
  lately(lately: Lately): void;
  /** How the link is: waiting_s until the next try where it is cut. */
  link(up: boolean, waiting_s: number, since: number): void;
}

const QUIET_MS = 4000;
const FIRST_WAIT_S = 0.5;
const LONGEST_WAIT_S = 8;
const OVER = new Set(["sealed", "called off", "unreadable"]);

export class Link {
  private socket: WebSocket | null = null;
  private seq = -1;
  private wait = FIRST_WAIT_S;
  private heard = 0;
  private cutAt = 0;
  private over = false;
  private timer = 0;

  constructor(
    private readonly id: string,
    private readonly takes: Takes,
  ) {
    this.open();
    window.setInterval(() => this.check(), 1000);
    for (const event of ["online", "pageshow", "visibilitychange"])
      window.addEventListener(event, () => this.again());
  }

  private open(): void {
    const address = new URL(`/api/recordings/${encodeURIComponent(this.id)}/live`, location.href);
    address.protocol = location.protocol === "https:" ? "wss:" : "ws:";
    address.searchParams.set("since", String(this.seq));
    const socket = (this.socket = new WebSocket(address));
    socket.binaryType = "arraybuffer";
    this.heard = Date.now();
    socket.addEventListener("message", (event) => {
      if (socket !== this.socket) return;
      this.heard = Date.now();
      if (this.cutAt || this.wait !== FIRST_WAIT_S) {
        this.cutAt = 0;
        this.wait = FIRST_WAIT_S;
        this.takes.link(true, 0, 0);
      }
      if (typeof event.data === "string") this.text(event.data);
      else this.binary(event.data as ArrayBuffer);
    });
    socket.addEventListener("close", (event) => {
      if (socket !== this.socket) return;
      this.socket = null;
      if (this.over) return;
      if (event.code === 4401 || event.code === 4403) {
        location.reload();
        return;
      }
      this.cut();
    });
  }

  private text(data: string): void {
    const told = JSON.parse(data) as { is: string };
    if (told.is === "state") {
      const state = told as unknown as State;
      if (OVER.has(state.state)) this.over = true;
      this.takes.state(state);
    } else if (told.is === "marks") this.takes.marks((told as unknown as { marks: Mark[] }).marks);
  }

  private binary(data: ArrayBuffer): void {
    const head = new DataView(data);
    const kind = head.getUint8(0);
    const channels = head.getUint16(2, true), n = head.getUint32(4, true);
    const seq = head.getFloat64(8, true), a = head.getFloat64(16, true), b = head.getFloat64(24, true);
    let at = 32;
    const floats = (count: number): Float32Array => {
      const found = new Float32Array(data, at, count);
      at += 4 * count;
      return found;
    };
    if (kind === 1) {
      const time = new Float64Array(data, at, n);
      at += 8 * n;
      const value = floats(n);
      const channel = new Uint16Array(data, at, n);
      at += 2 * n;
      this.takes.readings({ seq, durable_s: a, time, value, channel, quality: new Uint8Array(data, at, n) });
    } else if (kind === 2) {
      const low = floats(n * channels), high = floats(n * channels);
      const lowFirst = new Uint8Array(data, at, n * channels);
      this.takes.whole({ start: a, width: b, bins: n, channels, low, high, lowFirst });
    } else if (kind === 3) this.takes.lately({ start: a, width: b, bins: n, channels, value: floats(n * channels) });
    this.seq = seq;
  }

  private cut(): void {
    if (!this.cutAt) this.cutAt = Date.now();
    const wait = this.wait * (0.8 + 0.4 * Math.random());
    this.wait = Math.min(this.wait * 1.7, LONGEST_WAIT_S);
    this.takes.link(false, wait, this.cutAt);
    window.clearTimeout(this.timer);
    this.timer = window.setTimeout(() => this.open(), wait * 1000);
  }

  /** The server speaks twice a second: silence means a link that nobody told was cut. */
  private check(): void {
    if (this.over || !this.socket || Date.now() - this.heard < QUIET_MS) return;
    const dead = this.socket;
    this.socket = null;
    dead.close();
    this.cut();
  }

  private again(): void {
    if (this.over || this.socket || document.visibilityState === "hidden") return;
    window.clearTimeout(this.timer);
    this.open();
  }
}
