// Files dropped anywhere on a page go the way the page's own form sends them.
import { Refused, send, token } from "./ask";
import { say, sayTrouble } from "./say";

interface Review {
  id: string;
}

const MOST_BYTES = 512 * 2 ** 20;

export async function handIn(files: Iterable<File>): Promise<void> {
  const form = new FormData();
  form.append("form-token", token());
  let bytes = 0;
  for (const file of files) {
    bytes += file.size;
    form.append("file", file, file.name);
  }
  if (bytes > MOST_BYTES) {
    say(`These files are larger than ${MOST_BYTES / 2 ** 20} MiB together. Hand in fewer at once.`, "poor");
    return;
  }
  say("Looking at what came …");
  try {
    const answer = await send("/api/imports", { method: "POST", body: form });
    const review = (await answer.json()) as Review;
    location.assign(`/bring-in/${review.id}`);
  } catch (cause) {
    if (cause instanceof Refused && cause.status === 413) say(cause.trouble.what, "poor");
    else sayTrouble(cause);
  }
}

export function takeDrops(place: HTMLElement = document.body): void {
  const hasFiles = (event: DragEvent) => event.dataTransfer?.types.includes("Files") ?? false;
  let inside = 0;
  place.addEventListener("dragenter", (event) => {
    if (!hasFiles(event)) return;
    inside += 1;
    place.classList.add("dropping");
  });
  place.addEventListener("dragleave", (event) => {
    if (!hasFiles(event)) return;
    inside -= 1;
    if (inside <= 0) place.classList.remove("dropping");
  });
  place.addEventListener("dragover", (event) => {
    if (hasFiles(event)) event.preventDefault();
  });
  place.addEventListener("drop", (event) => {
    if (!hasFiles(event)) return;
    event.preventDefault();
    inside = 0;
    place.classList.remove("dropping");
    const files = event.dataTransfer?.files;
    if (files && files.length) void handIn(files);
  });
}
