// Bring in readings: files dropped anywhere; each choice is read again at once.
import { Refused, send } from "../lib/ask";
import { handIn, takeDrops } from "../lib/drop";
import { morph } from "../lib/morph";
import { sayTrouble } from "../lib/say";

takeDrops();
const chosen = document.querySelector<HTMLInputElement>('.dropzone input[type="file"]');
chosen?.form?.addEventListener("submit", (event) => {
  if (!chosen.files?.length) return;
  event.preventDefault();
  void handIn(chosen.files);
});

const lot = document.getElementById("lot");
let turn = 0;

async function again(form: HTMLFormElement, extra?: HTMLButtonElement): Promise<void> {
  if (!lot) return;
  const mine = ++turn;
  const fields = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (typeof value === "string") fields.append(name, value);
  if (extra) fields.set(extra.name, extra.value);
  lot.classList.add("reading");
  lot.setAttribute("aria-busy", "true");
  try {
    const answer = await send(form.action, { method: "POST", body: fields, headers: { accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const now = page.getElementById("lot");
    // an older answer must not undo a newer choice
    if (mine === turn && now) morph(lot, now.innerHTML);
  } catch (cause) {
    if (cause instanceof Refused && cause.status === 404) location.assign("/bring-in");
    else sayTrouble(cause);
  } finally {
    if (mine === turn) {
      lot.classList.remove("reading");
      lot.removeAttribute("aria-busy");
    }
  }
}

lot?.addEventListener("change", (event) => {
  const field = event.target as HTMLInputElement | HTMLSelectElement;
  if (field.form?.id === "decisions") void again(field.form);
});
lot?.addEventListener("submit", (event) => {
  const button = event.submitter as HTMLButtonElement | null;
  if (button?.name === "bring-in") return; // the page that follows shows the job
  event.preventDefault();
  void again(event.target as HTMLFormElement, button?.name ? button : undefined);
});
lot?.addEventListener("click", (event) => {
  const link = (event.target as Element).closest<HTMLAnchorElement>('a[href^="#"]');
  if (!link) return;
  const place = document.getElementById(link.hash.slice(1));
  const folded = place?.closest("details");
  if (folded) folded.open = true;
  place?.focus();
});
