// The plan's text: line numbers, lines with faults, and the way back.

export class PlanText {
  private past: string[] = [];
  private future: string[] = [];
  private last: string;
  private faults = new Set<number>();
  private lit = 0;
  private readonly gutter: HTMLElement;

  constructor(
    readonly area: HTMLTextAreaElement,
    private readonly undoButton: HTMLButtonElement | null,
    private readonly redoButton: HTMLButtonElement | null,
  ) {
    this.last = area.value;
    this.gutter = area.parentElement?.querySelector<HTMLElement>(".gutter") ?? document.createElement("div");
    area.addEventListener("scroll", () => this.scrolled());
    this.draw();
  }

  get value(): string {
    return this.area.value;
  }

  // Keeps where it was: typing within one second is one step back.
  private moment = 0;
  typed(): void {
    const now = performance.now();
    if (now - this.moment > 1000) this.remember();
    this.moment = now;
    this.last = this.area.value;
    this.draw();
  }

  put(text: string): void {
    if (text === this.area.value) return;
    this.remember();
    this.show(text);
  }

  private remember(): void {
    this.past.push(this.last);
    if (this.past.length > 300) this.past.shift();
    this.future = [];
    this.buttons();
  }

  private show(text: string): void {
    const { scrollTop, scrollLeft, selectionStart } = this.area;
    this.area.value = text;
    this.last = text;
    this.area.scrollTop = scrollTop;
    this.area.scrollLeft = scrollLeft;
    if (document.activeElement === this.area) this.area.setSelectionRange(selectionStart, selectionStart);
    this.draw();
    this.buttons();
  }

  undo(): boolean {
    const before = this.past.pop();
    if (before === undefined) return false;
    this.future.push(this.area.value);
    this.show(before);
    return true;
  }

  redo(): boolean {
    const after = this.future.pop();
    if (after === undefined) return false;
    this.past.push(this.area.value);
    this.show(after);
    return true;
  }

  private buttons(): void {
    if (this.undoButton) this.undoButton.disabled = this.past.length === 0;
    if (this.redoButton) this.redoButton.disabled = this.future.length === 0;
  }

  mark(lines: number[]): void {
    this.faults = new Set(lines);
    this.draw();
  }

  light(line: number): void {
    this.lit = line;
    this.draw();
    if (line > 0) this.reveal(line);
  }

  private lineHeight(): number {
    return parseFloat(getComputedStyle(this.area).lineHeight) || 20;
  }

  private reveal(line: number): void {
    const top = (line - 1) * this.lineHeight();
    const { scrollTop, clientHeight } = this.area;
    if (top < scrollTop || top > scrollTop + clientHeight - 3 * this.lineHeight())
      this.area.scrollTop = Math.max(0, top - clientHeight / 3);
    this.scrolled();
  }

  select(line: number): void {
    const lines = this.area.value.split("\n");
    const start = lines.slice(0, Math.max(0, line - 1)).reduce((n, l) => n + l.length + 1, 0);
    this.area.focus();
    this.area.setSelectionRange(start, start + (lines[line - 1] ?? "").length);
    this.light(line);
  }

  private draw(): void {
    const count = this.area.value.split("\n").length;
    const out = document.createDocumentFragment();
    for (let n = 1; n <= count; n++) {
      const row = document.createElement("span");
      const bad = this.faults.has(n);
      row.textContent = bad ? `▲ ${n}` : String(n);
      if (bad) row.className = "bad";
      if (n === this.lit) row.classList.add("lit");
      out.append(row);
    }
    this.gutter.replaceChildren(out);
    this.scrolled();
  }

  private scrolled(): void {
    this.gutter.scrollTop = this.area.scrollTop;
  }
}
