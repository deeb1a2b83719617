// Sensors in the picture of the oven: dragged, put down by two taps, or moved by the arrow keys.

export type Move =
  | { do: "put"; channel: number; view: string; u: number; v: number }
  | { do: "nudge"; channel: number; view: string; right: number; down: number; far: boolean };

interface Grip {
  pin: SVGGElement;
  from: DOMPoint;
  moved: boolean;
  pointer: number;
}

const KEYS: Record<string, [number, number]> = {
  ArrowLeft: [-1, 0],
  ArrowRight: [1, 0],
  ArrowUp: [0, -1],
  ArrowDown: [0, 1],
};
const SLACK = 4;

export function watchPins(place: HTMLElement, tell: (move: Move) => void, say: (words: string) => void): void {
  let grip: Grip | null = null;
  let chosen: SVGGElement | null = null;

  const pinOf = (target: EventTarget | null): SVGGElement | null =>
    target instanceof Element ? target.closest<SVGGElement>("g.pin") : null;
  const pictureOf = (node: Element): SVGSVGElement | null => node.closest("svg.oven");
  const viewOf = (svg: SVGSVGElement): string => svg.dataset.view ?? "above";

  function point(svg: SVGSVGElement, event: PointerEvent | MouseEvent): DOMPoint {
    const matrix = svg.getScreenCTM();
    const here = new DOMPoint(event.clientX, event.clientY);
    return matrix ? here.matrixTransform(matrix.inverse()) : here;
  }

  function choose(pin: SVGGElement | null): void {
    chosen?.classList.remove("chosen");
    chosen?.setAttribute("aria-pressed", "false");
    chosen = pin;
    pin?.classList.add("chosen");
    pin?.setAttribute("aria-pressed", "true");
    for (const svg of place.querySelectorAll("svg.oven")) svg.classList.toggle("waiting", pin !== null);
    if (pin) say("Chosen. Now choose its place, or press Escape.");
  }

  function put(pin: SVGGElement, svg: SVGSVGElement, u: number, v: number): void {
    tell({ do: "put", channel: Number(pin.dataset.channel), view: viewOf(svg), u: round(u), v: round(v) });
  }

  place.addEventListener("pointerdown", (event) => {
    const pin = pinOf(event.target);
    if (!pin || event.button !== 0) return;
    const svg = pictureOf(pin);
    if (!svg) return;
    grip = { pin, from: point(svg, event), moved: false, pointer: event.pointerId };
    pin.setPointerCapture(event.pointerId);
  });

  place.addEventListener("pointermove", (event) => {
    if (!grip || event.pointerId !== grip.pointer) return;
    const svg = pictureOf(grip.pin);
    if (!svg) return;
    const here = point(svg, event);
    const du = here.x - grip.from.x;
    const dv = here.y - grip.from.y;
    if (!grip.moved && Math.hypot(du, dv) < SLACK) return;
    grip.moved = true;
    grip.pin.classList.add("dragged");
    grip.pin.setAttribute("transform", `translate(${du.toFixed(1)} ${dv.toFixed(1)})`);
    event.preventDefault();
  });

  const ended = (event: PointerEvent, dropped: boolean): void => {
    if (!grip || event.pointerId !== grip.pointer) return;
    const { pin, from, moved } = grip;
    grip = null;
    pin.classList.remove("dragged");
    pin.removeAttribute("transform");
    const svg = pictureOf(pin);
    if (!moved || !dropped || !svg) return;
    const here = point(svg, event);
    choose(null);
    put(pin, svg, Number(pin.dataset.u) + here.x - from.x, Number(pin.dataset.v) + here.y - from.y);
    swallow = true;
    window.setTimeout(() => (swallow = false), 0);
  };
  let swallow = false; // the click that follows a drag is none
  place.addEventListener("pointerup", (event) => ended(event, true));
  place.addEventListener("pointercancel", (event) => ended(event, false));

  place.addEventListener("click", (event) => {
    if (swallow) return;
    const pin = pinOf(event.target);
    if (chosen && pin !== chosen) {
      const svg = event.target instanceof Element ? pictureOf(event.target) : null;
      const mine = pictureOf(chosen);
      if (svg && svg === mine && !pin) {
        const here = point(svg, event);
        const moving = chosen;
        choose(null);
        put(moving, svg, here.x, here.y);
        return;
      }
    }
    choose(pin === chosen ? null : pin);
  });

  // Steps while a key is held are gathered, so that the server is asked a few times a second.
  let steps = { right: 0, down: 0, far: false, pin: null as SVGGElement | null };
  let timer = 0;
  const flush = (): void => {
    const { pin, right, down, far } = steps;
    steps = { right: 0, down: 0, far: false, pin: null };
    const svg = pin && pictureOf(pin);
    if (pin && svg && (right || down))
      tell({ do: "nudge", channel: Number(pin.dataset.channel), view: viewOf(svg), right, down, far });
  };
  place.addEventListener("keydown", (event) => {
    const pin = pinOf(event.target);
    if (!pin) return;
    if (event.key === "Escape") return choose(null);
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      return choose(pin === chosen ? null : pin);
    }
    const step = KEYS[event.key];
    if (!step) return;
    event.preventDefault();
    const [right, down] = step;
    if (steps.pin && (steps.pin !== pin || steps.far !== event.shiftKey || (right ? steps.down : steps.right)))
      flush();
    steps = { pin, right: steps.right + right, down: steps.down + down, far: event.shiftKey };
    window.clearTimeout(timer);
    timer = window.setTimeout(flush, 120);
  });
}

function round(value: number): number {
  return Math.round(value * 10) / 10;
}
