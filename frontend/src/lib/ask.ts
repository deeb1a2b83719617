// Requests to our own server; one error shape, one token.

export interface Trouble {
  error: string;
  what: string;
  where: string;
  remedy: string;
  faults?: { path: (string | number)[]; line: number; what: string; remedy: string }[];
}

export class Refused extends Error {
  constructor(
    readonly status: number,
    readonly trouble: Trouble,
  ) {
    super([trouble.where, trouble.what, trouble.remedy].filter(Boolean).join(": "));
  }
}

export function token(): string {
  return document.querySelector<HTMLMetaElement>('meta[name="form-token"]')?.content ?? "";
}

async function answered(response: Response): Promise<Response> {
  if (response.ok) return response;
  let trouble: Trouble;
  try {
    trouble = (await response.json()) as Trouble;
  } catch {
    trouble = { error: "HTTP", what: `the server answered ${response.status}`, where: "", remedy: "" };
  }
  throw new Refused(response.status, trouble);
}

export async function ask<T>(address: string, init: RequestInit = {}): Promise<T> {
  const response = await send(address, init);
  return (await response.json()) as T;
}

export async function send(address: string, init: RequestInit = {}): Promise<Response> {
  const headers = new Headers(init.headers);
  headers.set("accept", headers.get("accept") ?? "application/json");
  headers.set("x-form-token", token());
  const once = () => fetch(address, { ...init, headers, credentials: "same-origin" });
  try {
    return await answered(await once());
  } catch (cause) {
    // the server was started anew, or somebody signed in, while this page stood open
    if (!(cause instanceof Refused) || cause.trouble.error !== "FormToken") throw cause;
    headers.set("x-form-token", await freshToken());
    return answered(await once());
  }
}

async function freshToken(): Promise<string> {
  const response = await answered(await fetch("/api/form-token", { credentials: "same-origin" }));
  const fresh = ((await response.json()) as { token: string }).token;
  document.querySelector<HTMLMetaElement>('meta[name="form-token"]')?.setAttribute("content", fresh);
  return fresh;
}

export function tell<T>(address: string, body: unknown, method = "POST"): Promise<T> {
  return ask<T>(address, {
    method,
    body: JSON.stringify(body),
    headers: { "content-type": "application/json" },
  });
}
