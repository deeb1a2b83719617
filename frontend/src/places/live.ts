// Live: one recording as it grows. The page reads; what it asks for goes through the same API.
import { tell } from "../lib/ask";
import { inFahrenheit } from "../lib/degrees";
import { LiveChart } from "../lib/live-chart";
import { type Forecast, type Foreseen, Link, type Mark, type Readings, type State } from "../lib/live-link";
import { LiveOven, type OvenFacts } from "../lib/live-oven";
import { Sound } from "../lib/live-sound";
import { Bins, Stretch } from "../lib/live-store";
import { sample } from "../lib/looks";
import { say, sayTrouble } from "../lib/say";
import { clockTime, elapsed, MINUS } from "../lib/times";

interface Facts {
  id: string;
  title: string;
  zone: string;
  fahrenheit: boolean;
  interval_s: number;
  channels: { name: string; role: string; lane: string }[];
  states: Record<string, [string, string, string]>;
  shapes: Record<string, string>;
  oven: OvenFacts;
  wall: boolean;
}

const BETWEEN_PAINTS_MS = 200;

interface Tile {
  root: HTMLElement;
  value: Text;
  rate: HTMLElement;
  health: HTMLElement;
  shown: number;
}

const root = document.getElementById("live");
if (root) start(root);

function start(root: HTMLElement): void {
  const facts = JSON.parse(root.dataset.facts ?? "{}") as Facts;
  const shown = facts.fahrenheit ? (c: number) => c * 1.8 + 32 : (c: number) => c;
  const perMinute = facts.fahrenheit ? 1.8 : 1;
  const names = facts.channels.map((c) => c.name);
  const numbers = new Map(names.map((n, i) => [n, i]));
  const whole = new Bins(names.length, facts.interval_s, shown);
  const lately = new Stretch(names.length, facts.interval_s);
  const tiles = findTiles(root);
  const oven = new LiveOven(root.querySelector("svg.oven")!, facts.oven, numbers, whole, shown, facts.fahrenheit);
  const soundButton = document.querySelector<HTMLButtonElement>("#sound");
  const sound = soundButton ? new Sound(soundButton) : null;
  let chart: LiveChart | null = null;
  let first = true;
  let marked: Mark[] = [];

  const card = document.getElementById("curves-card");
  // an empty chart would push the first values off a phone: it comes with the first reading
  const openChart = (): void => {
    if (!card || chart) return;
    card.hidden = false;
    chart = new LiveChart(
      document.getElementById("curves")!,
      { names, zone: facts.zone, unit: facts.fahrenheit ? "°F" : "°C", height: innerWidth < 640 ? 260 : 380, dashed: names.length <= 32 },
      whole, lately,
    );
    chart.setMarks(marked);
    chooseSpan(card, chart);
    pickOne(tiles, chart);
  };
  marksByTap(facts.id);
  stopByTap(facts.id);

  const fresh = new Map<number, number>();
  let painting = 0;
  let painted = 0;
  const paint = () => {
    painted = performance.now();
    painting = 0;
    for (const [c, v] of fresh) {
      const tile = tiles[c];
      if (!tile) continue;
      const words = v === v ? shown(v).toFixed(1).replace("-", MINUS) : "–";
      if (tile.value.data !== words) tile.value.data = words;
    }
    fresh.clear();
  };

  new Link(facts.id, {
    readings: (r: Readings) => {
      lately.take(r, shown);
      whole.take(r);
      for (let i = 0; i < r.time.length; i++) fresh.set(r.channel[i]!, r.value[i]!);
      // modules speak at moments of their own: a frame for each would cost more than it shows
      if (!painting && fresh.size)
        painting = window.setTimeout(
          () => requestAnimationFrame(paint),
          Math.max(0, BETWEEN_PAINTS_MS - (performance.now() - painted)),
        );
      if (r.time.length) openChart();
      chart?.news();
    },
    whole: (w) => {
      whole.set(w);
      if (w.bins) openChart();
      root.dataset.wholeFrom = String(w.start);
      root.dataset.wholeTo = String(w.start + w.bins * w.width);
      chart?.news();
    },
    lately: (l) => {
      lately.set(l, shown);
      chart?.news();
    },
    marks: (marks) => {
      marked = marks;
      chart?.setMarks(marks);
      listMarks(marks, facts.zone);
    },
    state: (told) => {
      const state = facts.fahrenheit ? saidInFahrenheit(told) : told;
      showState(root, facts, state);
      showTiles(tiles, facts, state, perMinute);
      oven.show(state);
      showNext(state);
      showForecast(state.forecast, facts, shown);
      showWhere(state, oven.at(state));
      showRemarks(state);
      showAlarms(state, first);
      sound?.set(state.alarms.length + (state.state === "cut off" ? 1 : 0));
      first = false;
    },
    link: (up, wait, since) => showLink(up, wait, since, facts.zone),
  });
}

/** The words of a state in °F; its numbers are turned where they are shown. */
function saidInFahrenheit(state: State): State {
  const { forecast } = state;
  return {
    ...state,
    alarms: state.alarms.map((a) => ({ ...a, text: inFahrenheit(a.text) })),
    coming: state.coming.map((c) => ({ ...c, name: inFahrenheit(c.name) })),
    entry: state.entry && { ...state.entry, words: inFahrenheit(state.entry.words) },
    links: state.links.map(inFahrenheit),
    remarks: state.remarks.map(inFahrenheit),
    forecast: forecast && { ...forecast, requirements: forecast.requirements?.map((f) => ({ ...f, requirement: inFahrenheit(f.requirement) })), rests_on: forecast.rests_on.map(inFahrenheit), caution: inFahrenheit(forecast.caution) },
  };
}

function findTiles(root: HTMLElement): Tile[] {
  return [...root.querySelectorAll<HTMLElement>(".chan")].map((tile, i) => {
    tile.querySelector(".look")?.replaceChildren(sample(i));
    const value = tile.querySelector(".value")!;
    const text = document.createTextNode(value.textContent ?? "");
    value.replaceChildren(text);
    return { root: tile, value: text, rate: tile.querySelector(".rate")!, health: tile.querySelector(".health")!, shown: NaN };
  });
}

function put(element: Element | null, words: string): void {
  if (element && element.textContent !== words) element.textContent = words;
}

function number(value: number, decimals = 1, sign = false): string {
  const words = value.toFixed(decimals).replace("-", MINUS);
  const plain = Number(value.toFixed(decimals)) === 0 ? words.replace(MINUS, "") : words;
  return sign && Number(value.toFixed(decimals)) > 0 ? `+${plain}` : plain;
}

function showState(root: HTMLElement, facts: Facts, state: State): void {
  const [shape, word, tone] = facts.states[state.state] ?? ["○", state.state, "open"];
  const place = document.getElementById("state")!;
  if (root.dataset.state !== state.state) {
    root.dataset.state = state.state;
    place.className = `standing ${tone}`;
    const mark = document.createElement("span");
    mark.ariaHidden = "true";
    mark.textContent = shape;
    place.replaceChildren(mark, ` ${word}`);
    ended(facts, state, tone);
  }
  const unheard = document.getElementById("unheard");
  if (unheard) unheard.hidden = state.readings > 0 || state.state !== "recording";
  if (state.newest_s) put(document.getElementById("elapsed"), elapsed(Math.max(0, state.newest_s - state.from_s)));
  put(document.getElementById("safe"), state.readings.toLocaleString("en-GB").replaceAll(",", "\u00a0"));
}

function ended(facts: Facts, state: State, tone: string): void {
  const box = document.getElementById("ended");
  const seal = document.getElementById("seal");
  if (seal) seal.hidden = state.state !== "cut off";
  const acts = document.querySelector<HTMLElement>(".taps");
  if (acts) acts.hidden = state.state !== "recording";
  if (!box) return;
  box.hidden = state.state === "recording";
  box.className = `callout ${tone}`;
  const words: Record<string, [string, string]> = {
    sealing: ["◐ It was stopped and is being sealed", state.words],
    sealed: ["■ Sealed, read back and found intact", state.words],
    "cut off": ["▲ Its recorder has ended without sealing", "What it had made durable is all there, up to its last moment."],
    "called off": ["□ Called off", "Not one reading had come: there is nothing to keep."],
    unreadable: ["▲ The journal can't be read", state.words],
  };
  const [head, more] = words[state.state] ?? ["", ""];
  const strong = document.createElement("strong");
  strong.textContent = head;
  const span = document.createElement("span");
  span.textContent = more;
  box.replaceChildren(strong, span);
  if (state.state === "sealed") {
    const link = document.createElement("a");
    link.href = `/runs/${encodeURIComponent(facts.id)}`;
    link.className = "button main";
    link.textContent = "See the result";
    box.append(link);
    say("The recording is sealed.", "good");
  }
}

function showTiles(tiles: Tile[], facts: Facts, state: State, perMinute: number): void {
  state.channels.forEach((c, i) => {
    const tile = tiles[i];
    if (!tile) return;
    put(tile.rate, c.rate_k_min === null ? "–" : number(c.rate_k_min * perMinute, 1, true));
    if (tile.health.dataset.word !== c.health) {
      tile.health.dataset.word = c.health;
      const bad = c.health !== "ok" && c.health !== "waiting";
      tile.health.classList.toggle("poor", bad);
      tile.root.classList.toggle("bad", bad);
      const mark = document.createElement("span");
      mark.ariaHidden = "true";
      mark.textContent = facts.shapes[c.health] ?? "○";
      tile.health.replaceChildren(mark, ` ${c.health}`);
    }
    if (c.value_c === null) tile.value.data = "–";
  });
}

function items(id: string, lines: string[], empty: string): void {
  const list = document.getElementById(id);
  if (!list || list.dataset.said === lines.join("\n")) return;
  list.dataset.said = lines.join("\n");
  list.replaceChildren(
    ...(lines.length ? lines : [empty]).map((words) => {
      const item = document.createElement("li");
      item.textContent = words;
      if (!lines.length) item.className = "faint";
      return item;
    }),
  );
}

function showNext(state: State): void {
  const lines = state.coming.map((c) => `${c.name} in ${elapsed(Math.round(c.in_s / 5) * 5)}`);
  items("coming", lines, "no crossing lies ahead at the present rates");
  put(document.getElementById("next-line"), lines.slice(0, 2).join(" · "));
}

interface Ahead extends Foreseen {
  words: string;
}

/** What is foreseen, the nearest first: temperatures passed, then requirements met. */
function ahead(forecast: Forecast, facts: Facts, shown: (c: number) => number): Ahead[] {
  const degree = facts.fahrenheit ? "°F" : "°C";
  return [
    ...forecast.found.map((f) => ({ ...f, words: `${f.channel} passes ${number(shown(f.level_c), 0)} ${degree}` })),
    ...(forecast.requirements ?? []).map((f) => ({ ...f, words: `${f.channel} meets “${f.requirement}”` })),
  ].sort((a, b) => a.median_s - b.median_s);
}

/** What the model foresees: words with their interval, or why there is no forecast. */
function showForecast(forecast: Forecast | null, facts: Facts, shown: (c: number) => number): void {
  if (!forecast) return;
  const at = (s: number) => clockTime(s * 1000, facts.zone, 0, false);
  const found = ahead(forecast, facts, shown);
  showForecastLarge(found, at);
  const place = document.getElementById("forecast");
  if (!place) return;
  const lines = found.map((f) =>
    f.open_ended
      ? `${f.words} at ${at(f.median_s)} (from ${at(f.low_s)}; it may never)`
      : `${f.words} at ${at(f.median_s)} (${at(f.low_s) === at(f.high_s) ? "within that minute" : `${at(f.low_s)} to ${at(f.high_s)}`})`,
  );
  if (!lines.length) lines.push(forecast.refused || "every level has been passed");
  const title = `Foreseen at ${at(forecast.at_s)}`;
  const rests = forecast.rests_on.length ? ` It rests on ${forecast.rests_on.join("; ")}.` : "";
  const said = [title, ...lines, rests].join("\n");
  if (place.dataset.said === said) return;
  place.dataset.said = said;
  const list = document.createElement("ul");
  list.className = "lines";
  for (const words of lines) {
    const item = document.createElement("li");
    item.textContent = words;
    list.append(item);
  }
  const head = document.createElement("h3");
  head.textContent = title;
  const note = document.createElement("p");
  note.className = "note";
  note.textContent = `In brackets: nine times in ten.${rests} ${forecast.caution}`;
  place.replaceChildren(head, list, note);
}

const MOST_LARGE = 3;

/** For the wall: the next thing each channel will do, its moment as large as a value. */
function showForecastLarge(found: Ahead[], at: (s: number) => string): void {
  const place = document.getElementById("wall-forecast");
  if (!place) return;
  const next = found.filter((f, i) => found.findIndex((g) => g.channel === f.channel) === i).slice(0, MOST_LARGE);
  const said = next.map((f) => `${f.words} ${at(f.median_s)} ${at(f.low_s)} ${at(f.high_s)}`).join("\n");
  place.hidden = !next.length;
  if (place.dataset.said === said) return;
  place.dataset.said = said;
  place.querySelector("ul")!.replaceChildren(
    ...next.map((f) => {
      const item = document.createElement("li");
      const words = document.createElement("span");
      words.textContent = f.words;
      const when = document.createElement("strong");
      when.textContent = at(f.median_s);
      const between = document.createElement("span");
      between.className = "between";
      const [low, high] = [at(f.low_s), at(f.high_s)];
      between.textContent = f.open_ended ? `from ${low}, or never` : low === high ? "within that minute" : `${low} to ${high}`;
      item.append(words, when, between);
      return item;
    }),
  );
}

function showWhere(state: State, at_m: number): void {
  if (!state.entry || at_m !== at_m) return;
  const how = state.entry.marked ? state.entry.words : `seen, ${state.entry.words}`;
  put(document.getElementById("where"), `Product in (${how}); by belt speed it is ${at_m.toFixed(1)} m along.`);
}

function showRemarks(state: State): void {
  items("remarks", [...state.links, ...state.remarks.slice().reverse()], "nothing to tell");
}

const known = new Set<string>();

function showAlarms(state: State, first: boolean): void {
  const box = document.getElementById("alarms");
  if (!box) return;
  const keys = state.alarms.map((a) => `${a.name}\n${a.channel}`);
  if (box.dataset.said === keys.join("\t")) return;
  box.dataset.said = keys.join("\t");
  box.hidden = !keys.length;
  const list = document.createElement("ul");
  for (const a of state.alarms) {
    const item = document.createElement("li");
    const strong = document.createElement("strong");
    strong.textContent = `▲ ${a.name}`;
    const words = document.createElement("span");
    words.textContent = a.text;
    item.append(strong, " ", words);
    if (!first && !known.has(`${a.name}\n${a.channel}`)) item.classList.add("new");
    list.append(item);
  }
  known.clear();
  for (const k of keys) known.add(k);
  box.replaceChildren(list);
}

function listMarks(marks: Mark[], zone: string): void {
  const list = document.getElementById("marks");
  if (!list) return;
  items(
    "marks",
    marks.slice(-30).reverse().map((m) => {
      const text = m.text && m.text !== m.kind ? `: ${m.text}` : "";
      return `${clockTime(m.time_s * 1000, zone)} ${m.kind}${text}`;
    }),
    "none yet",
  );
}

function showLink(up: boolean, wait: number, since: number, zone: string): void {
  const box = document.getElementById("link");
  if (!box) return;
  box.hidden = up;
  if (up) {
    if (box.textContent) say("The link is back; what was missed has been filled in.", "good");
    box.replaceChildren();
    return;
  }
  const strong = document.createElement("strong");
  strong.textContent = `▲ The link to the server is cut since ${clockTime(since, zone)}`;
  const words = document.createElement("span");
  words.textContent = `The recording goes on by itself. Trying again in ${Math.max(1, Math.round(wait))} s.`;
  box.replaceChildren(strong, words);
}

function chooseSpan(card: HTMLElement, chart: LiveChart): void {
  const buttons = [...card.querySelectorAll<HTMLButtonElement>("[data-span]")];
  const title = document.getElementById("curves-title");
  for (const button of buttons)
    button.addEventListener("click", () => {
      for (const one of buttons) one.setAttribute("aria-pressed", String(one === button));
      const span = Number(button.dataset.span);
      put(title, span ? `The last ${span / 60} min` : "Since the start");
      chart.show(span);
    });
}

function pickOne(tiles: Tile[], chart: LiveChart): void {
  tiles.forEach((tile, i) => {
    const button = tile.root.querySelector<HTMLButtonElement>(".pick");
    button?.addEventListener("click", () => {
      const on = button.getAttribute("aria-pressed") !== "true";
      for (const other of tiles) other.root.querySelector(".pick")?.setAttribute("aria-pressed", "false");
      button.setAttribute("aria-pressed", String(on));
      chart.only(on ? i : null);
    });
  });
}

function marksByTap(id: string): void {
  const send = (kind: string, text: string, words: string) =>
    tell<{ time: string }>(`/api/recordings/${encodeURIComponent(id)}/marks`, { kind, text })
      .then(() => say(`Marked: ${words}`, "good"))
      .catch(sayTrouble);
  document.getElementById("mark-form")?.addEventListener("submit", (event) => {
    const button = (event as SubmitEvent).submitter as HTMLButtonElement | null;
    if (!button) return;
    event.preventDefault();
    button.disabled = true;
    void send(button.value, "", button.textContent ?? "").finally(() => (button.disabled = false));
  });
  document.getElementById("note-form")?.addEventListener("submit", (event) => {
    event.preventDefault();
    const field = document.getElementById("note-text") as HTMLInputElement;
    const text = field.value.trim();
    if (!text) return;
    void send("note", text, text).then(() => (field.value = ""));
  });
}

function stopByTap(id: string): void {
  document.getElementById("stop-form")?.addEventListener("submit", (event) => {
    event.preventDefault();
    const button = (event.target as HTMLElement).querySelector("button")!;
    button.disabled = true;
    tell(`/api/recordings/${encodeURIComponent(id)}/stop`, {})
      .then(() => say("It is asked to stop and seal."))
      .catch((cause: unknown) => {
        button.disabled = false;
        sayTrouble(cause);
      });
  });
}
