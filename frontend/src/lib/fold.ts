// Folded parts stand open on paper, and as they were again afterwards.

export function openOnPrint(): void {
  let opened: HTMLDetailsElement[] = [];
  window.addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll<HTMLDetailsElement>("details.fold:not([open])")];
    for (const part of opened) part.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const part of opened) part.open = false;
    opened = [];
  });
}

const PHONE = "(max-width: 640px)";

/** On a phone a long page's parts are folded under their headings; a link to one opens it. */
export function foldOnPhone(): void {
  if (!matchMedia(PHONE).matches) return;
  for (const part of document.querySelectorAll<HTMLElement>("section[data-part]")) {
    const head = part.querySelector(":scope > h2");
    if (!head || part.querySelector(":scope > details.part")) continue;
    const inner = part.querySelector<HTMLDetailsElement>(":scope > details.fold:only-of-type");
    const folded = document.createElement("details");
    folded.className = "fold part";
    const summary = document.createElement("summary");
    const rest = [...part.childNodes].filter((node) => node !== head);
    summary.append(head);
    folded.append(summary, ...rest);
    if (inner && inner.parentElement === folded) inner.open = true; // one fold is enough
    part.append(folded);
  }
  openTarget();
  window.addEventListener("hashchange", openTarget);
}

function openTarget(): void {
  const id = decodeURIComponent(location.hash.slice(1));
  const part = id ? document.getElementById(id)?.closest<HTMLDetailsElement>("details.part") : null;
  if (part) part.open = true;
}
