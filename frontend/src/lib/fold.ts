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
