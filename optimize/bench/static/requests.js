// Requests to the server of this page. The token is the fragment of the address (after #), which the
// browser never sends; this page's own requests carry it in a header.

const token = location.hash.slice(1);
const page = crypto.randomUUID();

export class Trouble extends Error {}

async function request(address, record, signal) {
  const headers = { "X-Orbwright-Token": token };
  const options = { headers, signal, cache: "no-store", credentials: "omit" };
  if (record !== null) {
    headers["Content-Type"] = "application/json";
    options.method = "POST";
    options.body = JSON.stringify(record);
  }
  let answer;
  try {
    answer = await fetch(address, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Trouble("The bench does not answer. Start it again and open the address that it prints.");
  }
  if (!answer.ok) {
    const refusal = await answer.json().catch(() => ({}));
    throw new Trouble(refusal.error || `The request was refused (${answer.status}).`);
  }
  return answer;
}

export const about = async () => (await request("/api/about", null)).json();
export const state = async () => (await request("/api/state", null)).json();
export const panel = async (materials) => (await request("/api/panel", materials)).json();
export const differences = async (builds) => (await request("/api/differences", builds)).json();
export const toml = async (setting) => (await request("/api/toml", setting)).blob();

// Figures at once, then flights; finite elements test by test. `receive` is called with each line.
export const quick = (setting, signal, receive) => lines("/api/quick", setting, signal, receive);
export const finite = (setting, place, signal, receive) => lines("/api/finite", { ...setting, place, page }, signal, receive);
export const impact = (setting, kind, signal, receive) => lines("/api/impact", { ...setting, impact: kind, page }, signal, receive);

async function lines(address, record, signal, receive) {
  const answer = await request(address, record, signal);
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    const whole = (rest + value).split("\n");
    rest = whole.pop();
    for (const line of whole) receive(JSON.parse(line));
  }
}
