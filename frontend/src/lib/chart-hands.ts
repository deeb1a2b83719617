// Moving in a chart by keys, wheel and fingers.

export interface Hands {
  readonly view: [number, number];
  show(from: number, to: number): void;
  whole(): void;
  zoom(factor: number, about?: number): void;
  shift(share: number): void;
  timeOf(clientX: number): number;
  tellAt(at: number | null): void;
}

export function listen(pane: HTMLElement, over: HTMLElement, hands: Hands, signal: AbortSignal): void {
  pane.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const acts: Record<string, () => void> = {
      ArrowLeft: () => hands.shift(-0.2), ArrowRight: () => hands.shift(0.2),
      PageUp: () => hands.shift(-0.9), PageDown: () => hands.shift(0.9),
      "+": () => hands.zoom(0.6), "=": () => hands.zoom(0.6), "-": () => hands.zoom(1 / 0.6),
      "0": () => hands.whole(), Home: () => hands.whole(), Escape: () => hands.whole(),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }, { signal });
  pane.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    hands.zoom(event.deltaY > 0 ? 1.25 : 0.8, hands.timeOf(event.clientX));
  }, { signal, passive: false });
  touch(over, hands, signal);
}

/** One finger moves along time, two fingers zoom; upwards the page scrolls as usual. */
function touch(over: HTMLElement, hands: Hands, signal: AbortSignal): void {
  const fingers = new Map<number, number>();
  let held: { view: [number, number]; xs: number[] } | null = null;
  const take = () => {
    held = { view: [...hands.view] as [number, number], xs: [...fingers.values()] };
  };
  over.style.touchAction = "pan-y";
  over.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse") return;
    fingers.set(event.pointerId, event.clientX);
    take();
  }, { signal });
  over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId) || !held) return;
    fingers.set(event.pointerId, event.clientX);
    const box = over.getBoundingClientRect();
    const [a, b] = held.view;
    const time = (x: number) => a + ((x - box.left) / box.width) * (b - a);
    const now = [...fingers.values()];
    if (now.length === 1) {
      const moved = time(held.xs[0]!) - time(now[0]!);
      hands.show(a + moved, b + moved);
      hands.tellAt(hands.timeOf(now[0]!));
    } else if (now.length === 2 && held.xs.length === 2) {
      const before = Math.abs(held.xs[0]! - held.xs[1]!) || 1, after = Math.abs(now[0]! - now[1]!) || 1;
      const middle = time((held.xs[0]! + held.xs[1]!) / 2), factor = before / after;
      hands.show(middle - (middle - a) * factor, middle + (b - middle) * factor);
    }
  }, { signal });
  const lift = (event: PointerEvent) => {
    fingers.delete(event.pointerId);
    if (fingers.size) take();
    else held = null;
  };
  for (const name of ["pointerup", "pointercancel"] as const) window.addEventListener(name, lift, { signal });
}
