// A result's page: live pictures in place of the drawn ones, the map's slider, the seal, the verdict
// of a large run when it is there.
import { ask, send } from "../lib/ask";
import { Chart } from "../lib/chart";
import type { Curve } from "../lib/curves";
import { Evenness } from "../lib/evenness";
import { follow, type Job } from "../lib/jobs";
import { extrasOf, fetchChart, type Overlays } from "../lib/packed";
import { say, sayTrouble } from "../lib/say";
import { fetchSlice, firstSlice, type Slice } from "../lib/slice";
import { foldOnPhone, openOnPrint } from "../lib/fold";

interface ResultAnswer {
  state: "ready" | "working" | "none" | "trouble";
  job: Job | null;
  picture: Overlays | null;
}

const page = document.getElementById("result");
let series: Chart | null = null;
let evenness: Evenness | null = null;
let looks: Record<string, number> = {};
let overview: Slice | null = null;

function about(): { run: string; query: string; fahrenheit: boolean } {
  const judgement = page?.dataset.judgement;
  return {
    run: page?.dataset.run ?? "",
    query: judgement ? `?judgement=${judgement}` : "",
    fahrenheit: page?.dataset.unit === "F",
  };
}

function curvesOf(slice: Slice): Curve[] {
  let next = Object.keys(looks).length;
  return slice.channels.map((c) => ({
    name: c.name,
    look: looks[c.name] ?? (Object.keys(looks).length ? next++ : slice.channels.indexOf(c)),
    time: c.time,
    value: c.value,
    gap_s: c.thinned ? undefined : c.gap_s,
  }));
}

function enliven(figure: HTMLElement): HTMLElement {
  const live = figure.querySelector<HTMLElement>(":scope > .live")!;
  live.hidden = false;
  figure.classList.add("alive");
  return live;
}

async function drawSeries(figure: HTMLElement): Promise<void> {
  const { run, query, fahrenheit } = about();
  const place = figure.querySelector<HTMLElement>(":scope > .live")!;
  overview = await firstSlice(figure.dataset.first ?? "");
  // what lies over the curves is asked for while they are painted
  const telling = page?.dataset.state === "ready" ? ask<ResultAnswer>(`/api/runs/${encodeURIComponent(run)}/result${query}`) : null;
  telling?.catch(() => undefined); // said below
  enliven(figure);
  const start = page?.dataset.start;
  series = new Chart(place, {
    title: figure.querySelector("figcaption")?.textContent ?? "",
    alt: figure.querySelector(".drawn svg desc")?.textContent ?? "",
    unit: fahrenheit ? "F" : "C",
    yLabel: `temperature, ${fahrenheit ? "°F" : "°C"}`,
    zeroWords: "since the first reading",
    start_ms: start === undefined ? undefined : Number(start),
    zone: start === undefined ? undefined : page?.dataset.zone,
    more: async (from_s, to_s, points_, signal) =>
      curvesOf(await fetchSlice(run, { from_s, to_s, points: points_, around: true }, signal)),
    onTrouble: sayTrouble,
  });
  series.setCurves(curvesOf(overview));
  // two frames on, what was drawn is on the screen; benchmarks read this
  requestAnimationFrame(() => requestAnimationFrame(() => { figure.dataset.painted = String(performance.now()); }));
  const answer = await telling?.catch(sayTrouble);
  if (answer && answer.picture) overlay(answer.picture);
}

function overlay(picture: Overlays): void {
  if (!series || !overview) return;
  looks = picture.looks;
  series.setZero(picture.zero_s, "since load-in");
  series.setCurves(curvesOf(overview));
  series.setExtras(extrasOf(picture));
  startEvenness();
}

function startEvenness(): void {
  const figure = document.querySelector<HTMLElement>("[data-evenness]");
  if (!figure || !overview || !series) return;
  evenness = new Evenness(figure, about().fahrenheit, (at) => series?.pointTo(at));
  evenness.setCurves(curvesOf(overview));
}

function drawWhenSeen(figure: HTMLElement): void {
  const watch = new IntersectionObserver((seen) => {
    if (!seen.some((s) => s.isIntersecting)) return;
    watch.disconnect();
    void drawChart(figure).catch(sayTrouble);
  }, { rootMargin: "300px" });
  watch.observe(figure);
}

async function drawChart(figure: HTMLElement): Promise<void> {
  const other = page?.dataset.other;
  const query = other ? `?with=${encodeURIComponent(other)}` : about().query;
  const { about: told, curves } = await fetchChart(`${figure.dataset.chart}${query}`);
  const chart = new Chart(enliven(figure), {
    title: told.title, alt: told.alt, unit: "", yLabel: told.y_label, zero_s: told.zero_s,
    decimals: 2, height: Math.min(380, Math.max(240, figure.clientWidth * 0.4)),
  });
  chart.setCurves(curves);
  chart.setExtras(extrasOf(told));
}

async function followVerdict(place: HTMLElement): Promise<void> {
  const bar = place.querySelector("progress");
  const words = place.querySelector(".doing");
  const { run, query } = about();
  const asked = await ask<ResultAnswer>(`/api/runs/${encodeURIComponent(run)}/result${query}`);
  if (asked.job) {
    const job = await follow(asked.job.id, (news) => {
      if (bar) bar.value = news.share;
      if (words) words.textContent = news.doing || news.title;
    });
    if (job.state === "cancelled") return;
  }
  await bringVerdict();
}

/** The page as it is now, with the verdict; the live picture that is there stays and keeps its zoom. */
async function bringVerdict(): Promise<void> {
  const text = await (await send(location.href, { headers: { accept: "text/html" } })).text();
  const fresh = new DOMParser().parseFromString(text, "text/html").getElementById("result");
  if (!fresh || !page) return;
  const kept = page.querySelector<HTMLElement>("#history > .live");
  const place = fresh.querySelector<HTMLElement>("#history > .live");
  if (kept && place && series) {
    place.replaceWith(kept);
    fresh.querySelector("#history")?.classList.add("alive");
  }
  for (const name of ["judgement", "state", "proved"]) page.dataset[name] = fresh.dataset[name] ?? "";
  page.replaceChildren(...fresh.childNodes);
  document.title = new DOMParser().parseFromString(text, "text/html").title;
  wire();
  const { run, query } = about();
  const answer = await ask<ResultAnswer>(`/api/runs/${encodeURIComponent(run)}/result${query}`);
  if (answer.picture) overlay(answer.picture);
  say("The verdict is there.", "good");
}

/** Away from the first picture: prove that the run is what was sealed. */
async function prove(): Promise<void> {
  const place = document.querySelector<HTMLElement>("[data-proof]");
  if (!page || !place || page.dataset.proved === "yes" || page.dataset.state === "working") return;
  place.textContent = "checking the seal …";
  const job = await ask<Job>(`/api/runs/${encodeURIComponent(about().run)}/proof`, { method: "POST" });
  const over = await follow(job.id, () => undefined);
  if (over.state === "done") {
    place.textContent = "✓ verified: every reading is as it was sealed";
    place.className = "proof good";
  } else if (over.error) {
    place.textContent = `✗ ${over.error.what}`;
    place.className = "proof poor";
    say(`${over.error.what}. ${over.error.remedy}`, "poor");
  }
}

function wire(): void {
  foldOnPhone();
  for (const figure of document.querySelectorAll<HTMLElement>("figure[data-chart]")) drawWhenSeen(figure);
}

async function begin(): Promise<void> {
  const figure = document.querySelector<HTMLElement>("figure[data-series]");
  const waiting = document.querySelector<HTMLElement>("[data-follow]");
  openOnPrint();
  wire();
  if (figure) await drawSeries(figure).catch(sayTrouble);
  if (waiting) await followVerdict(waiting).catch(sayTrouble);
  window.setTimeout(() => void prove().catch(sayTrouble), 400);
}

void begin();
