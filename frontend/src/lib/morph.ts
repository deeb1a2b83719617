// Makes a part of the page what the server says it is now, touching only what differs:
// the focus, the caret, what is open and what is being typed stay.

export function morph(place: Element, html: string): void {
  const wanted = document.createElement("template");
  wanted.innerHTML = html;
  children(place, wanted.content);
}

function keyOf(node: Node): string {
  return node instanceof Element ? node.id : "";
}

function children(old: Element | DocumentFragment, wanted: Element | DocumentFragment): void {
  const kept = new Map<string, Element>();
  for (const child of old.children) if (child.id) kept.set(child.id, child);
  const wantedIds = new Set([...wanted.children].map((child) => child.id).filter(Boolean));
  let here: ChildNode | null = old.firstChild;
  for (const next of [...wanted.childNodes]) {
    const key = keyOf(next);
    const same = key ? kept.get(key) : undefined;
    if (same && same.tagName === (next as Element).tagName) {
      if (same !== here) old.insertBefore(same, here);
      else here = here.nextSibling;
      element(same, next as Element);
      continue;
    }
    // what carries an id that is still wanted waits for its own turn
    if (here && !key && !wantedIds.has(keyOf(here)) && alike(here, next)) {
      const now: ChildNode = here;
      here = here.nextSibling;
      if (now instanceof Element) element(now, next as Element);
      else if (now.nodeValue !== next.nodeValue) now.nodeValue = next.nodeValue;
      continue;
    }
    old.insertBefore(next, here);
  }
  while (here) {
    const gone: ChildNode = here;
    here = here.nextSibling;
    gone.remove();
  }
}

function alike(one: Node, other: Node): boolean {
  return one.nodeType === other.nodeType && one.nodeName === other.nodeName && !keyOf(one);
}

function element(old: Element, wanted: Element): void {
  const mine = old === document.activeElement;
  for (const { name } of [...old.attributes]) {
    if (name === "open" && old.tagName === "DETAILS") continue;
    if (name === "value" && mine) continue;
    if (!wanted.hasAttribute(name)) old.removeAttribute(name);
  }
  for (const { name, value } of wanted.attributes) {
    if (name === "value" && mine) continue;
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  if (old instanceof HTMLInputElement && wanted instanceof HTMLInputElement) {
    if (old.type === "checkbox" || old.type === "radio") old.checked = wanted.checked;
    else if (!mine && old.value !== wanted.value) old.value = wanted.value;
    return;
  }
  if (old instanceof HTMLTextAreaElement && wanted instanceof HTMLTextAreaElement) {
    if (!mine && old.value !== wanted.value) old.value = wanted.value;
    return;
  }
  children(old, wanted);
  if (old instanceof HTMLSelectElement && wanted instanceof HTMLSelectElement && old.value !== wanted.value)
    old.value = wanted.value;
}
