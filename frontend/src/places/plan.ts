// One plan as form, picture and text: a change in any of them is a change in all.
import { Refused, send, tell } from "../lib/ask";
import { morph } from "../lib/morph";
import { watchPins, type Move } from "../lib/plan-pins";
import { PlanText } from "../lib/plan-text";
import { say, sayTrouble } from "../lib/say";

type Path = (string | number)[];
type Change = { do: string; path: Path; value?: unknown; typed?: string; as_kind?: string };

interface Drafted {
  text: string;
  readable: boolean;
  faults: number;
  fault_lines: number[];
  title: string;
  parts: Record<string, string>;
}

const work = document.getElementById("plan-work");
if (work) start(work);

function start(work: HTMLElement): void {
  const planId = work.dataset.plan ?? "";
  const editable = work.dataset.editable === "yes";
  const area = document.getElementById("text") as HTMLTextAreaElement;
  const text = new PlanText(
    area,
    document.getElementById("undo") as HTMLButtonElement | null,
    document.getElementById("redo") as HTMLButtonElement | null,
  );
  const form = document.getElementById("plan-form") as HTMLFormElement;
  const state = document.getElementById("state");
  const kept = { text: area.defaultValue, version: Number(work.dataset.version) };
  let readable = true;

  switchViews();
  text.mark(faultLines());
  if (!editable) return;
  document.getElementById("undo-row")?.classList.remove("hidden");

  // One request at a time, in order; each works on the text as it then is.
  let queue: Promise<void> = Promise.resolve();
  const post = (changes: (Change | Move)[]): Promise<Drafted> =>
    tell<Drafted>(`/plans/${planId}/draft`, { text: text.value, changes });

  function ask(changes: (Change | Move)[]): Promise<void> {
    queue = queue.then(async () => {
      const from = text.value;
      try {
        let answer = await post(changes);
        if (text.value !== from) answer = await post(changes); // typed on meanwhile
        if (changes.length) text.put(answer.text);
        else if (text.value !== from) return; // a later request tells
        show(answer);
      } catch (cause) {
        sayTrouble(cause);
      }
    });
    return queue;
  }

  function show(answer: Drafted): void {
    readable = answer.readable;
    for (const [name, html] of Object.entries(answer.parts)) {
      const place = document.getElementById(`part-${name}`);
      if (place) morph(place, html);
    }
    form.classList.toggle("stale", !readable);
    text.mark(answer.fault_lines);
    const title = document.getElementById("plan-title");
    if (title && readable) title.textContent = answer.title;
    tellState();
  }

  const changed = (): boolean => text.value !== kept.text;
  function tellState(): void {
    if (state) state.textContent = changed() ? "There are changes that are not kept yet." : "";
  }

  // the text ---------------------------------------------------------------------------
  let typing = 0;
  area.addEventListener("input", () => {
    text.typed();
    window.clearTimeout(typing);
    typing = window.setTimeout(() => void ask([]), 300);
    tellState();
  });
  // a field left by pressing the button speaks first
  const step = (back: boolean): void => {
    queue = queue.then(() => void ((back ? text.undo() : text.redo()) && ask([])));
  };
  document.getElementById("undo")?.addEventListener("click", () => step(true));
  document.getElementById("redo")?.addEventListener("click", () => step(false));

  document.getElementById("part-faults")?.addEventListener("click", (event) => {
    const row = (event.target as Element).closest<HTMLElement>("li[data-line]");
    if (!row || !(event.target as Element).closest("a")) return;
    event.preventDefault();
    text.select(Number(row.dataset.line) || 1);
  });

  // the form ---------------------------------------------------------------------------
  form.addEventListener("submit", (event) => event.preventDefault());
  const waiting = new Map<Element, number>();
  const applied = new WeakMap<Element, string>(); // leaving a field tells nothing new
  form.addEventListener("input", (event) => {
    const field = event.target;
    if (!(field instanceof HTMLInputElement || field instanceof HTMLTextAreaElement)) return;
    if (field.type === "checkbox" || ["name", "pair-key", "pair-value"].includes(field.dataset.kind ?? "")) return;
    window.clearTimeout(waiting.get(field));
    waiting.set(
      field,
      window.setTimeout(() => {
        waiting.delete(field);
        applied.set(field, field.value);
        void apply(field);
      }, 450),
    );
  });
  form.addEventListener("change", (event) => {
    const field = event.target;
    if (!(field instanceof HTMLInputElement || field instanceof HTMLTextAreaElement || field instanceof HTMLSelectElement))
      return;
    window.clearTimeout(waiting.get(field));
    waiting.delete(field);
    const told = applied.get(field);
    applied.delete(field);
    if (told !== field.value || field.dataset.kind === "on-name") void apply(field);
  });

  type Field = HTMLInputElement | HTMLTextAreaElement | HTMLSelectElement;
  async function apply(field: Field): Promise<void> {
    if (!readable) return say("Mend the text first: it can't be read.", "poor");
    const changes = changesOf(field);
    if (changes.length) await ask(changes);
  }

  form.addEventListener("focusin", (event) => {
    const line = Number((event.target as HTMLElement).dataset?.line);
    if (line > 0) text.light(line);
  });

  document.addEventListener("click", (event) => {
    const button = (event.target as Element).closest<HTMLElement>("button[data-change]");
    if (!button) return;
    const change = JSON.parse(button.dataset.change ?? "{}") as Change;
    if (!readable) return say("Mend the text first: it can't be read.", "poor");
    void ask([change]).then(() => reveal(change));
  });

  function reveal(change: Change): void {
    if (change.do !== "add" && change.do !== "copy") return;
    const list = change.do === "add" ? change.path : change.path.slice(0, -1);
    const items = [...form.querySelectorAll<HTMLDetailsElement>("details.item")].filter((item) =>
      new RegExp(`^item-${list.join("-")}-\\d+$`).test(item.id),
    );
    const item = items.at(-1);
    if (!item) return;
    item.open = true;
    item.querySelector<HTMLElement>("input, select")?.focus();
  }

  // the picture ------------------------------------------------------------------------
  const picture = document.getElementById("part-picture");
  if (picture)
    watchPins(
      picture,
      (move) => {
        if (!readable) return say("Mend the text first: it can't be read.", "poor");
        void ask([move]).then(() => {
          const pin = document.getElementById(`pin-${move.view}-${move.channel}`);
          if (pin) say(pin.getAttribute("aria-label") ?? "");
        });
      },
      say,
    );

  // keeping ----------------------------------------------------------------------------
  const keepForm = document.getElementById("keep") as HTMLFormElement;
  const conflict = document.getElementById("conflict");
  keepForm.addEventListener("submit", (event) => {
    event.preventDefault();
    void queue.then(keep);
  });

  async function keep(): Promise<void> {
    const facts = new FormData(keepForm);
    try {
      const version = await tell<{ number: number }>(
        `/api/plans/${planId}`,
        {
          text: text.value,
          based_on: kept.version,
          why: String(facts.get("why") ?? ""),
          who: String(facts.get("said_by") ?? ""),
          unfinished: facts.get("unfinished") === "true",
        },
        "PUT",
      );
      kept.text = text.value;
      kept.version = version.number;
      window.removeEventListener("beforeunload", hold);
      location.assign(`/plans/${planId}`);
    } catch (cause) {
      if (cause instanceof Refused && cause.status === 409) await overtaken(cause);
      else if (cause instanceof Refused && cause.trouble.error === "PlanFaults") {
        say("It was not kept: the plan has faults. Mend them, or keep it as unfinished.", "poor");
        document.getElementById("faults-box")?.scrollIntoView({ block: "center" });
      } else sayTrouble(cause);
    }
  }

  async function overtaken(cause: Refused): Promise<void> {
    if (!conflict) return;
    const newest = (cause.trouble as unknown as { newest?: number }).newest ?? kept.version;
    const box = document.createElement("section");
    box.className = "callout poor";
    box.id = "overtaken";
    box.tabIndex = -1;
    const head = document.createElement("strong");
    head.textContent = cause.trouble.what;
    const told = document.createElement("span");
    told.textContent = `Below is what differs from version ${newest} to your text. Your text is untouched.`;
    const lines = document.createElement("div");
    lines.className = "conflict-lines";
    const row = document.createElement("p");
    row.className = "row";
    const mine = document.createElement("button");
    mine.type = "button";
    mine.textContent = `Keep mine as version ${newest + 1}`;
    mine.addEventListener("click", () => {
      kept.version = newest;
      box.remove();
      void keep();
    });
    const theirs = document.createElement("button");
    theirs.type = "button";
    theirs.textContent = `Take version ${newest}, go back to mine with Undo`;
    theirs.addEventListener("click", () => {
      void tell<{ text: string }>(`/plans/${planId}/draft`, { text: text.value, changes: [] })
        .then(() => send(`/plans/${planId}/plan.toml`))
        .then((answer) => answer.text())
        .then((newestText) => {
          kept.version = newest;
          kept.text = newestText;
          text.put(newestText);
          box.remove();
          return ask([]);
        })
        .catch(sayTrouble);
    });
    row.append(mine, theirs);
    box.append(head, told, row, lines);
    conflict.replaceChildren(box);
    box.scrollIntoView({ block: "center" });
    box.focus();
    try {
      const answer = await send(`/plans/${planId}/difference`, {
        method: "POST",
        headers: { "content-type": "application/json", accept: "text/html, application/json" },
        body: JSON.stringify({ text: text.value }),
      });
      lines.innerHTML = await answer.text();
    } catch (trouble) {
      sayTrouble(trouble);
    }
  }

  const hold = (event: BeforeUnloadEvent): void => {
    if (changed()) event.preventDefault();
  };
  window.addEventListener("beforeunload", hold);
  tellState();
}

function faultLines(): number[] {
  return [...document.querySelectorAll<HTMLElement>("#part-faults li[data-line]")]
    .map((row) => Number(row.dataset.line))
    .filter((line) => line > 0);
}

function pathOf(node: HTMLElement): Path {
  return JSON.parse(node.dataset.path ?? "[]") as Path;
}

function changesOf(field: HTMLInputElement | HTMLTextAreaElement | HTMLSelectElement): Change[] {
  const kind = field.dataset.kind ?? "text";
  if (kind === "on-name") {
    const around = field.closest<HTMLElement>("fieldset.named");
    if (!around) return [];
    const names = [...around.querySelectorAll<HTMLInputElement>("input:checked")].map((box) => box.value);
    const path = pathOf(around);
    return names.length ? [{ do: "set", path, value: names }] : [{ do: "set", path, typed: "" }];
  }
  if (kind === "pair-key" || kind === "pair-value") return pair(field);
  const path = pathOf(field);
  if (kind === "on") {
    if (field.value !== "@named") return [{ do: "set", path, typed: field.value }];
    return [{ do: "set", path, value: JSON.parse(field.dataset.covered ?? "[]") as string[] }];
  }
  if (kind === "name") {
    const value = field.value.trim();
    if (value) return [{ do: "rename", path: path.slice(0, -1), value }];
    return [{ do: "set", path, typed: "" }];
  }
  if (kind === "become") return [{ do: "become", path: path.slice(0, -1), value: field.value }];
  const ticked = field instanceof HTMLInputElement && field.type === "checkbox";
  return [{ do: "set", path, typed: ticked ? String(field.checked) : field.value, as_kind: kind }];
}

function pair(field: HTMLElement): Change[] {
  const row = field.closest<HTMLElement>(".pair");
  const around = field.closest<HTMLElement>("fieldset.pairs");
  if (!row || !around) return [];
  const path = pathOf(around);
  const old = row.dataset.old ?? "";
  const key = row.querySelector<HTMLInputElement>('[data-kind="pair-key"]')?.value.trim() ?? "";
  const value = row.querySelector<HTMLInputElement>('[data-kind="pair-value"]')?.value.trim() ?? "";
  const out: Change[] = [];
  if (old && old !== key) out.push({ do: "remove", path: [...path, old] });
  if (key && (value || old)) out.push({ do: "set", path: [...path, key], value });
  return out;
}

function switchViews(): void {
  const buttons = [...document.querySelectorAll<HTMLButtonElement>("#view-switch button")];
  const place = document.getElementById("part-picture");
  if (!place || buttons.length === 0) return;
  document.getElementById("view-switch")?.classList.remove("hidden");
  place.dataset.show = "above";
  for (const button of buttons)
    button.addEventListener("click", () => {
      place.dataset.show = button.dataset.show ?? "above";
      for (const other of buttons) other.setAttribute("aria-pressed", String(other === button));
    });
}
