// A recording that waits for its start: what its channels show, until the page that follows it opens.
import { morph } from "../lib/morph";

const EVERY_MS = 1000;
const place = document.getElementById("waiting-now");
if (place?.dataset.moving) void keepFresh(place);

async function keepFresh(place: HTMLElement): Promise<void> {
  const cut = document.getElementById("waiting-cut");
  while (place.dataset.moving) {
    await new Promise((done) => setTimeout(done, EVERY_MS));
    if (document.hidden) continue;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" }, credentials: "same-origin" });
      if (answer.redirected) {
        location.replace(answer.url);
        return;
      }
      if (!answer.ok) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("waiting-now");
      if (!fresh || !fresh.dataset.moving) {
        location.reload();
        return;
      }
      if (cut) cut.hidden = true;
      morph(place, fresh.innerHTML);
    } catch {
      if (cut) cut.hidden = false;
    }
  }
}
