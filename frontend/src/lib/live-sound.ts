// Alarms heard: a tone made here, and only after a person has allowed it on this page.
const KEY = "ovenwright-alarms-heard";

export class Sound {
  private context: AudioContext | null = null;
  private timer = 0;
  private standing = 0;

  constructor(private readonly button: HTMLButtonElement) {
    button.closest<HTMLElement>("#sound-box")!.hidden = false;
    button.addEventListener("click", () => (this.context ? this.off() : this.on()));
  }

  private on(): void {
    this.context = new AudioContext();
    void this.context.resume();
    this.say(true);
    this.tone(0, 660, 0.15);
    localStorage.setItem(KEY, "yes");
    this.set(this.standing);
  }

  private off(): void {
    window.clearInterval(this.timer);
    this.timer = 0;
    void this.context?.close();
    this.context = null;
    localStorage.removeItem(KEY);
    this.say(false);
  }

  private say(on: boolean): void {
    this.button.setAttribute("aria-pressed", String(on));
    this.button.textContent = on ? "Alarms are heard: mute" : "Let alarms be heard";
  }

  /** Tell how many alarms stand; three rising tones every four seconds while any does. */
  set(standing: number): void {
    this.standing = standing;
    if (!this.context) return;
    if (!standing) {
      window.clearInterval(this.timer);
      this.timer = 0;
    } else if (!this.timer) {
      this.ring();
      this.timer = window.setInterval(() => this.ring(), 4000);
    }
  }

  private ring(): void {
    [0, 0.25, 0.5].forEach((at, i) => this.tone(at, 620 + 160 * i, 0.2));
  }

  private tone(at: number, hertz: number, lasts: number): void {
    const context = this.context;
    if (!context) return;
    const from = context.currentTime + at;
    const gain = context.createGain();
    gain.gain.setValueAtTime(0.0001, from);
    gain.gain.exponentialRampToValueAtTime(0.25, from + 0.02);
    gain.gain.exponentialRampToValueAtTime(0.0001, from + lasts);
    gain.connect(context.destination);
    const tone = context.createOscillator();
    tone.type = "triangle";
    tone.frequency.value = hertz;
    tone.connect(gain);
    tone.start(from);
    tone.stop(from + lasts + 0.02);
  }
}
