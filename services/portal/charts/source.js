// Reads what a figure is drawn from: the API's own answer, by the session's cookie.
// Figures that name the same address share one request; what stands behind # in the
// address says which part of the answer a figure is of.

const asked = new Map();

// forget makes the next reading ask again: something has changed.
export function forget() {
  asked.clear();
}

// read gives {data, part}. Its errors are words for whoever looks at the page.
export async function read(source) {
  const [address, part = ""] = source.split("#");
  if (!asked.has(address)) asked.set(address, ask(address));
  try {
    return { data: await asked.get(address), part: decodeURIComponent(part) };
  } catch (error) {
    asked.delete(address); // the next try asks again
    throw error;
  }
}

async function ask(address) {
  let response;
  try {
    response = await fetch(address, { headers: { Accept: "application/json" }, credentials: "same-origin" });
  } catch {
    throw new Error("the connection to the service is lost");
  }
  if (response.status === 401) throw new Error("your sign-in has ended");
  if (response.status === 403 || response.status === 404) throw new Error("its data isn't yours to see, or is gone");
  if (!response.ok) throw new Error(`the service answered with an error (${response.status})`);
  try {
    return await response.json();
  } catch {
    throw new Error("the answer broke off");
  }
}

// chartOf finds a chart in any answer that holds charts.
export function chartOf(data, part) {
  if (data.cases) return data;
  const charts = data.charts ?? [];
  return part ? charts.find((c) => c.chart === part || `${c.outcome}/${c.kind}` === part || c.group === part) : charts[0];
}
