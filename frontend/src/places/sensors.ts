// Sensors: the picture of a running check is asked for four times a second and changed where it differs.
import { morph } from "../lib/morph";

const EVERY_MS = 250;
const place = document.getElementById("check-now");
if (place) void follow(place);

async function follow(place: HTMLElement): Promise<void> {
  const cut = document.getElementById("cut");
  const told = document.getElementById("told");
  const address = `/sensors/${encodeURIComponent(place.dataset.plan ?? "")}/now`;
  for (let wait = EVERY_MS; ; ) {
    await new Promise((done) => setTimeout(done, wait));
    if (document.hidden) continue;
    try {
      const answer = await fetch(address, { headers: { accept: "text/html" }, credentials: "same-origin" });
      if (!answer.ok) throw new Error(String(answer.status));
      if (answer.headers.get("x-check") === "over") {
        location.assign(location.pathname);
        return;
      }
      morph(place, await answer.text());
      const words = document.getElementById("say-now")?.textContent ?? "";
      if (told && told.textContent !== words) told.textContent = words;
      if (cut) cut.hidden = true;
      wait = EVERY_MS;
    } catch {
      if (cut) cut.hidden = false;
      wait = 1500;
    }
  }
}
