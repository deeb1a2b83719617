// Operator view: the page is asked for again and again and changed only where it differs.
import { morph } from "../lib/morph";

const place = document.getElementById("operator-now");
if (place) void keepFresh(place);

async function keepFresh(place: HTMLElement): Promise<void> {
  const cut = document.getElementById("operator-cut");
  for (let wait = 1200; ; ) {
    await new Promise((done) => setTimeout(done, wait));
    if (document.hidden || place.contains(document.activeElement?.closest("form") ?? null)) continue;
    const moving = place.dataset.at === "checking" || place.dataset.at === "recording" || place.dataset.wait === "1";
    if (!moving) {
      wait = 4000;
    }
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" }, credentials: "same-origin" });
      if (!answer.ok) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("operator-now");
      if (!fresh) {
        location.reload();
        return;
      }
      if (cut) cut.hidden = true;
      for (const name of ["at", "wait"]) place.dataset[name] = fresh.dataset[name] ?? "";
      morph(place, fresh.innerHTML);
      wait = moving ? 1200 : 4000;
    } catch {
      if (cut) cut.hidden = false;
      wait = 2000;
    }
  }
}
