// What an integrator's program does, in TypeScript: it knows a running rigledger by
// its address, a token, and types generated from the document alone. gosmoke takes
// the same steps in Go; both print the same lines.
import createClient from "openapi-fetch";
import type { components, paths } from "./rigapi.js";

type Schemas = components["schemas"];

const url = process.env["RIGLEDGER_URL"] ?? "";
const token = process.env["RIGLEDGER_TOKEN"] ?? "";
// Lists in the query are separated by commas, as the document says of each.
const querySerializer = { array: { style: "form", explode: false } } as const;
const api = createClient<paths>({ baseUrl: url, headers: { Authorization: `Bearer ${token}` }, querySerializer });
const bare = createClient<paths>({ baseUrl: url, querySerializer });

function odd(response: Response, what: unknown): Error {
  return new Error(`status ${response.status}: ${JSON.stringify(what)}`);
}

const sleep = (ms: number) => new Promise((resolve) => setTimeout(resolve, ms));
const commitOf = (response: Response) => Number(response.headers.get("Rigledger-Commit"));

let commit = 0;

async function noToken(): Promise<string> {
  const { error, response } = await bare.GET("/v1/rigs");
  if (error === undefined || response.status !== 401) throw odd(response, error);
  return error.type;
}

function body(rig: string): Schemas["RegisterRig"] {
  return {
    rig, name: "Low meadow", class: "trailed", yard: "north", width_m: 24, tank_l: 3500,
    meters: [{ meter: "pump", quantity: "hours", value: 0 }, { meter: "area", quantity: "area", value: 0 }],
  };
}

async function register(): Promise<string> {
  const said: string[] = [];
  for (const rig of ["T01", "T02", "T03"]) {
    const { data, error, response } = await api.POST("/v1/rigs", { body: body(rig) });
    if (!data?.plan || !response.headers.get("ETag")) throw odd(response, error);
    said.push(`${response.headers.get("Location")} under ${data.plan.plan}, ${data.fitness.state}`);
  }
  return said.join("; ");
}

async function refused(): Promise<string> {
  const { error, response } = await api.POST("/v1/rigs", { body: { ...body("no code"), width_m: 61, tank_l: -1, name: "" } });
  if (response.status !== 422 || !error?.errors) throw odd(response, error);
  const pointers = error.errors.map((e) => e.pointer ?? "").sort();
  return `${error.type} ${pointers.join(" ")}`;
}

function reading(id: string, hoursAgo: number, hours: number, hectares: number): Schemas["SendReading"] {
  return {
    id, time: new Date(Date.now() - hoursAgo * 3_600_000).toISOString(),
    counters: [{ meter: "pump", value: hours, unit: "HUR" }, { meter: "area", value: hectares, unit: "H18" }],
  };
}

async function send(...list: Schemas["SendReading"][]): Promise<void> {
  const { data, error, response } = await api.POST("/v1/rigs/{rig}/readings", { params: { path: { rig: "T01" } }, body: list });
  if (!data || response.status !== 200) throw odd(response, error);
  commit = commitOf(response);
}

async function readings(): Promise<string> {
  await send(reading("smoke-1", 48, 10.25, 80.1234), reading("smoke-2", 2, 12.5, 88.4321));
  const { data, error, response } = await api.GET("/v1/rigs/{rig}", { params: { path: { rig: "T01" }, query: { after_commit: commit } } });
  if (!data) throw odd(response, error);
  return `${data.totals?.["pump"]?.hours} h, ${data.totals?.["area"]?.hectares} ha`;
}

// afterCommit asks for what the ledger does not hold yet, and writes it while the
// question waits.
async function afterCommit(): Promise<string> {
  const next = commit + 1;
  const waits = api.GET("/v1/rigs/{rig}", { params: { path: { rig: "T01" }, query: { after_commit: next } } });
  await sleep(200);
  await send(reading("smoke-3", 1, 13, 90));
  const { data, error, response } = await waits;
  if (!data || commitOf(response) < next) throw odd(response, error);
  return "seen";
}

async function rigs(): Promise<string> {
  const said: string[] = [];
  let cursor: string | undefined;
  for (;;) {
    const query = { limit: 2, yard: ["north", "south"], ...(cursor === undefined ? {} : { cursor }) };
    const { data, error, response } = await api.GET("/v1/rigs", { params: { query } });
    if (!data) throw odd(response, error);
    said.push(...data.rigs.map((r) => r.rig));
    cursor = data.next;
    if (cursor === undefined) return said.join(" ");
    said.push("|");
  }
}

// filter is an item that 13 hours make overdue.
const filter = "T01-filter-suction.suction-filter.1";

async function items(): Promise<string> {
  for (;;) {
    let cursor: string | undefined;
    do {
      const { data, error, response } = await api.GET("/v1/items", {
        params: { query: { status: ["due", "overdue"], rig: ["T01"], limit: 1, ...(cursor === undefined ? {} : { cursor }) } },
      });
      if (!data) throw odd(response, error);
      const found = data.items.find((i) => i.item === filter);
      if (found) return `${found.item} ${found.weight} ${found.status} at ${found.due?.hours} h, remaining ${found.remaining?.hours} h`;
      cursor = data.next;
    } while (cursor !== undefined);
    await sleep(200);
  }
}

async function finishTwice(): Promise<string> {
  const said: string[] = [];
  let changed = 0;
  for (let i = 0; i < 2; i++) {
    const { data, error, response } = await api.POST("/v1/items/{item}/finish", {
      params: { path: { item: filter }, header: { "Idempotency-Key": "smoke-finish" } },
      body: { by: "A. Example", minutes: 20, findings: "Sieb unbeschädigt, „sauber“" },
    });
    if (!data?.finished || (changed !== 0 && data.changed_commit !== changed)) throw odd(response, error ?? data);
    changed = data.changed_commit;
    said.push(`${data.stage}, ${data.finished.findings}, replayed ${response.headers.get("Idempotency-Replayed") === "true"}`);
  }
  return said.join("; ");
}

async function feed(): Promise<string> {
  const count = new Map<string, number>();
  let after = "0";
  let last = -1;
  for (;;) {
    const { data, error, response } = await api.GET("/v1/feed", { params: { query: { after, limit: 7 } } });
    if (!data) throw odd(response, error);
    for (const f of data.facts) {
      const place = f.commit * 1024 + f.index;
      if (place <= last) throw new Error(`${f.position} comes late or twice`);
      last = place;
      count.set(f.kind, (count.get(f.kind) ?? 0) + 1);
    }
    if (data.next === after) break;
    after = data.next;
  }
  return `${count.get("rig.registered")} registered, ${count.get("item.finished")} finished`;
}

async function forecast(): Promise<string> {
  const { data, error, response } = await api.GET("/v1/rigs/{rig}/forecast", { params: { path: { rig: "T01" } } });
  if (!data || data.tasks.length === 0 || data.notice === "") throw odd(response, error);
  return data.rig;
}

async function fitness(): Promise<string> {
  const { data, error, response } = await api.GET("/v1/rigs/{rig}/fitness", { params: { path: { rig: "T02" } } });
  if (!data || data.notice === "") throw odd(response, error);
  return `${data.rig} ${data.asked_about} ${data.state}`;
}

// calculators: l/ha = 600 · l/min / (km/h · m), and flow goes with the root of the
// pressure; both as the document says.
async function calculators(): Promise<string> {
  const rate = await api.POST("/v1/testbay/rate", { body: { l_min: 1.3, km_h: 8, spacing_m: 0.5 } });
  if (rate.data?.l_ha === undefined || Math.abs(rate.data.l_ha - (600 * 1.3) / (8 * 0.5)) > 0.01) throw odd(rate.response, rate.error ?? rate.data);
  const flow = await api.POST("/v1/testbay/flow", { body: { l_min: 1.2, bar: 3, at_bar: 2 } });
  if (flow.data?.l_min === undefined || Math.abs(flow.data.l_min - 1.2 * Math.sqrt(2 / 3)) > 0.001) throw odd(flow.response, flow.error ?? flow.data);
  return `${rate.data.l_ha} l/ha`;
}

async function notModified(): Promise<string> {
  const { response, error } = await api.GET("/v1/rigs/{rig}", { params: { path: { rig: "T02" } } });
  const tag = response.headers.get("ETag");
  if (tag === null) throw odd(response, error);
  const again = await api.GET("/v1/rigs/{rig}", { params: { path: { rig: "T02" }, header: { "If-None-Match": tag } }, parseAs: "text" });
  return `${again.response.status} ${again.data?.length ?? 0}`;
}

// options is no operation of the document, which says of all that it is answered.
async function options(): Promise<string> {
  const response = await fetch(`${url}/v1/rigs/T01`, { method: "OPTIONS" });
  return `${response.status} ${response.headers.get("Allow")}`;
}

const steps: [string, () => Promise<string>][] = [
  ["no token", noToken], ["register", register], ["refused", refused], ["readings", readings], ["after a commit", afterCommit],
  ["rigs", rigs], ["items", items], ["finish twice", finishTwice], ["feed", feed], ["forecast", forecast],
  ["fitness", fitness], ["calculators", calculators], ["not modified", notModified], ["options", options],
];

setTimeout(() => {
  console.error("a minute was not enough");
  process.exit(1);
}, 60_000).unref();

for (const [name, step] of steps) {
  try {
    console.log(`${name}: ${await step()}`);
  } catch (error) {
    console.error(`${name}: ${error}`);
    process.exit(1);
  }
}
