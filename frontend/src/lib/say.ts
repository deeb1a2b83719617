// Short news for eyes and for screen readers.
import { Refused } from "./ask";

let timer = 0;

export function say(words: string, kind: "good" | "poor" | "plain" = "plain"): void {
  const place = document.getElementById("news");
  if (!place) return;
  place.textContent = words;
  place.dataset.kind = kind;
  place.classList.add("shown");
  window.clearTimeout(timer);
  if (kind !== "poor") timer = window.setTimeout(() => place.classList.remove("shown"), 6000);
}

export function sayTrouble(cause: unknown): void {
  if (cause instanceof Refused) {
    const { what, remedy } = cause.trouble;
    say(remedy ? `${what}. ${remedy}` : what, "poor");
  } else if (cause instanceof Error) {
    say(`The server can't be reached: ${cause.message}`, "poor");
  } else say(String(cause), "poor");
}
