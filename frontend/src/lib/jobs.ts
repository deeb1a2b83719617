// Long work: an element with data-job is filled with its progress and led on to its result.
import { ask, send } from "./ask";
import { sayTrouble } from "./say";

export interface Job {
  id: string;
  title: string;
  state: "waiting" | "running" | "done" | "failed" | "cancelled";
  share: number;
  doing: string;
  link: string;
  result: Record<string, unknown> | null;
  error: { what: string; where: string; remedy: string } | null;
}

export async function follow(id: string, onNews: (job: Job) => void): Promise<Job> {
  for (let wait = 120; ; wait = Math.min(wait * 1.3, 1000)) {
    const job = await ask<Job>(`/api/jobs/${encodeURIComponent(id)}`);
    onNews(job);
    if (job.state !== "waiting" && job.state !== "running") return job;
    await new Promise((done) => setTimeout(done, wait));
  }
}

export function followJobs(): void {
  for (const place of document.querySelectorAll<HTMLElement>("[data-job]")) void show(place);
}

export async function show(place: HTMLElement): Promise<Job | undefined> {
  const id = place.dataset.job ?? "";
  const bar = document.createElement("progress");
  bar.max = 1;
  const words = document.createElement("span");
  const stop = document.createElement("button");
  stop.type = "button";
  stop.textContent = "Cancel";
  stop.addEventListener("click", () => {
    send(`/api/jobs/${encodeURIComponent(id)}`, { method: "DELETE" }).catch(sayTrouble);
  });
  place.replaceChildren(bar, words, stop);
  bar.setAttribute("aria-label", "progress");
  try {
    const job = await follow(id, (news) => {
      bar.value = news.share;
      words.textContent = ` ${news.doing || news.title} `;
    });
    stop.remove();
    if (job.state === "done" && job.link) location.assign(job.link);
    else if (job.state === "failed" && job.error) fail(place, job.error);
    else words.textContent = job.state;
    return job;
  } catch (cause) {
    sayTrouble(cause);
    return undefined;
  }
}

/** What went wrong in the job's own words, as every page tells an error. */
function fail(place: HTMLElement, error: NonNullable<Job["error"]>): void {
  const what = document.createElement("strong");
  what.textContent = error.what;
  const lines = [error.where && `Where: ${error.where}`, error.remedy && `What to do: ${error.remedy}`];
  place.className = "callout poor";
  place.setAttribute("role", "alert");
  place.replaceChildren(
    what,
    ...lines.filter(Boolean).map((words) => {
      const line = document.createElement("span");
      line.textContent = words;
      return line;
    }),
  );
}
