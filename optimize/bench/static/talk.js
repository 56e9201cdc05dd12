// Talking to the command that served this page. The token stands behind # in the address, which the
// browser sends to nobody; only this page's own requests carry it.

const token = location.hash.slice(1);
const page = crypto.randomUUID();

export class Trouble extends Error {}

async function asked(address, record, signal) {
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
    throw new Trouble("The command that serves this page does not answer. Start it again, and open the address that it prints.");
  }
  if (!answer.ok) {
    const told = await answer.json().catch(() => ({}));
    throw new Trouble(told.error || `The request was refused (${answer.status}).`);
  }
  return answer;
}

export const about = async () => (await asked("/api/about", null)).json();
export const state = async () => (await asked("/api/state", null)).json();
export const toml = async (setting) => (await asked("/api/toml", setting)).blob();

// Figures at once, then flights; finite elements, test by test: `took` is called with every line.
export const quick = (setting, signal, took) => lines("/api/quick", setting, signal, took);
export const finite = (setting, place, signal, took) => lines("/api/finite", { ...setting, place, page }, signal, took);

async function lines(address, record, signal, took) {
  const answer = await asked(address, record, signal);
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    const whole = (rest + value).split("\n");
    rest = whole.pop();
    for (const line of whole) took(JSON.parse(line));
  }
}
