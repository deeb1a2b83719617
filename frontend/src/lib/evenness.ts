// The map of temperatures by place, recoloured for any moment from the curves that are there already.
import { valueAt, type Curve } from "./curves";
import { elapsed, MINUS } from "./times";

function rgb(hex: string): [number, number, number] {
  const n = parseInt(hex.slice(1), 16);
  return [n >> 16, (n >> 8) & 255, n & 255];
}

export function heatColour(scale: readonly string[], share: number): [number, number, number] {
  if (!Number.isFinite(share)) return [154, 154, 154];
  const at = Math.min(Math.max(share, 0), 1) * (scale.length - 1);
  const i = Math.min(Math.floor(at), scale.length - 2);
  const low = rgb(scale[i]!), high = rgb(scale[i + 1]!);
  return low.map((a, k) => Math.round(a + (high[k]! - a) * (at - i))) as [number, number, number];
}

/** Black or white, whichever reads better (WCAG 2.2 relative luminance). */
export function inkOn(colour: readonly number[]): string {
  const [r, g, b] = colour.map((v) => {
    const s = v / 255;
    return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r! + 0.7152 * g! + 0.0722 * b! > 0.179 ? "#000000" : "#ffffff";
}

export class Evenness {
  private curves: Map<string, Curve> = new Map();
  private readonly slider: HTMLInputElement;
  private readonly held: HTMLInputElement;
  private readonly scale: string[];
  private readonly zero: number;

  constructor(
    private readonly figure: HTMLElement,
    private readonly fahrenheit: boolean,
    private readonly onMoment: (at_s: number) => void,
  ) {
    const form = figure.querySelector<HTMLFormElement>("form.when")!;
    this.slider = form.querySelector<HTMLInputElement>("#at")!;
    this.held = form.querySelector<HTMLInputElement>("[name=held]")!;
    this.scale = (figure.querySelector("svg")?.getAttribute("data-scale") ?? "").split(" ");
    this.zero = Number(figure.dataset.zero ?? 0);
    form.classList.add("alive");
    form.addEventListener("submit", (event) => event.preventDefault());
    this.slider.addEventListener("input", () => this.draw(true));
    this.held.addEventListener("change", () => this.draw(false));
  }

  setCurves(curves: Curve[]): void {
    this.curves = new Map(curves.map((c) => [c.name, c]));
    this.draw(false);
  }

  goTo(at_s: number): void {
    this.slider.value = String((at_s - this.zero) / 60);
    this.draw(false);
  }

  private words(c: number): string {
    if (!Number.isFinite(c)) return "–";
    return (this.fahrenheit ? c * 1.8 + 32 : c).toFixed(1).replace("-", MINUS);
  }

  private draw(moved: boolean): void {
    const at = Number(this.slider.value) * 60 + this.zero;
    const groups = [...this.figure.querySelectorAll<SVGGElement>("g[data-channel]")];
    const values = groups.map((g) => {
      const curve = this.curves.get(g.dataset.channel ?? "");
      return curve ? valueAt(curve, at) : NaN;
    });
    const there = values.filter(Number.isFinite);
    let low = Number(this.figure.dataset.low), high = Number(this.figure.dataset.high);
    if (!this.held.checked && there.length) {
      // 4 K wide at the least, so that noise stays pale
      const middle = (Math.min(...there) + Math.max(...there)) / 2;
      const half = Math.max((Math.max(...there) - Math.min(...there)) / 2, 2);
      [low, high] = [middle - half, middle + half];
    }
    groups.forEach((g, i) => {
      const v = values[i]!;
      const colour = heatColour(this.scale, high > low ? (v - low) / (high - low) : Number.isFinite(v) ? 0.5 : NaN);
      g.querySelector("circle")?.setAttribute("fill", `rgb(${colour.join(" ")})`);
      const figure = g.querySelector(".figure");
      figure?.setAttribute("fill", inkOn(colour));
      if (figure) figure.textContent = this.words(v);
    });
    const unit = this.fahrenheit ? "°F" : "°C";
    for (const text of this.figure.querySelectorAll<SVGTextElement>("[data-legend]"))
      text.textContent = `${this.words(low + Number(text.dataset.legend) * (high - low))} ${unit}`;
    const moment = elapsed(at - this.zero);
    this.figure.querySelector(".moment")!.textContent = moment;
    this.slider.setAttribute("aria-valuetext", `${moment} since load-in`);
    const range = this.figure.querySelector(".range");
    if (range) {
      const said = [...this.figure.querySelectorAll<SVGGElement>("g[data-panel]")].map((panel) => {
        const here = groups.flatMap((g, i) => (panel.contains(g) && Number.isFinite(values[i]!) ? [values[i]!] : []));
        if (here.length < 2) return "";
        const spread = Math.max(...here) - Math.min(...here);
        return `${panel.dataset.panel} ${(this.fahrenheit ? spread * 1.8 : spread).toFixed(1)} ${this.fahrenheit ? "°F" : "K"}`;
      });
      range.textContent = `Hottest minus coldest at ${moment}: ${said.filter(Boolean).join(", ")}.`;
    }
    if (moved) this.onMoment(at);
  }
}
