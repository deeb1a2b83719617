// The logbook: pictures of long runs come when they are looked at; a file can be dropped anywhere.
import { send } from "../lib/ask";
import { takeDrops } from "../lib/drop";

async function draw(place: HTMLElement): Promise<void> {
  const address = place.dataset.spark;
  if (!address) return;
  delete place.dataset.spark;
  try {
    const answer = await send(address, { headers: { accept: "image/svg+xml" } });
    const drawn = new DOMParser().parseFromString(await answer.text(), "image/svg+xml");
    if (drawn.documentElement.nodeName === "svg") place.replaceChildren(document.importNode(drawn.documentElement, true));
  } catch {
    // a run without its picture is still a run
  }
}

const seen = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (!entry.isIntersecting) continue;
    seen.unobserve(entry.target);
    void draw(entry.target as HTMLElement);
  }
});
for (const place of document.querySelectorAll<HTMLElement>("[data-spark]")) seen.observe(place);

if (document.querySelector('form[action="/bring-in"], .runs')) takeDrops();
