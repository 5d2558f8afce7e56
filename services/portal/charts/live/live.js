// Keeps a page in step with the record: hears that something has changed, asks for
// the page again, and says in words whether what is shown is of now.
import { merge } from "./merge.js";
import { isTyping } from "./typed.js";

// The first change is shown at once, what follows after a pause, so that a busy hour
// doesn't keep the service busy with pages. The pause grows with what a page costs:
// many open pages then share the machine instead of queueing for it. All in ms.
const pauses = { least: 4000, spread: 2000, costs: 40, soonSpread: 1500 };
const retry = { least: 2000, most: 30000, grows: 1.7 };

export function keepLive(refreshed) {
  const line = document.getElementById("live");
  const urgency = document.documentElement.dataset.live;
  if (!line || !urgency || !globalThis.EventSource) return;
  new Live(line, urgency, refreshed).start();
}

class Live {
  constructor(line, urgency, refreshed) {
    this.line = line;
    this.urgency = urgency;
    this.refreshed = refreshed;
    this.shown = Number(document.documentElement.dataset.position || 0);
    this.told = this.shown;
    this.heard = new Date();
    this.wait = retry.least;
    this.notBefore = 0;
    this.state = "";
  }

  start() {
    // A hidden page needs no connection: a browser has few of them for a host.
    document.addEventListener("visibilitychange", () => (document.hidden ? this.rest() : this.listen()));
    addEventListener("pagehide", () => this.rest());
    addEventListener("pageshow", () => this.listen());
    addEventListener("online", () => this.again(0));
    if (!document.hidden) this.listen();
  }

  rest() {
    this.stream?.close();
    this.stream = undefined;
    clearTimeout(this.retrying);
    clearTimeout(this.refreshing);
    this.refreshing = undefined;
  }

  listen() {
    if (this.stream || this.over) return;
    clearTimeout(this.retrying);
    const stream = new EventSource("/v1/changes");
    this.stream = stream;
    stream.onopen = () => {
      this.wait = retry.least;
      this.heard = new Date();
      if (this.told === this.shown) this.say("live");
    };
    stream.addEventListener("changed", (event) => {
      this.heard = new Date();
      this.told = JSON.parse(event.data).position;
      if (this.told === this.shown) this.say("live");
      else this.schedule();
    });
    stream.onerror = () => {
      this.say("stale");
      // The browser itself asks again after a lost connection, with the last
      // position; after an answer that refuses it doesn't.
      if (stream.readyState === EventSource.CLOSED && this.stream === stream) this.refused();
    };
  }

  // refused finds out why the stream isn't to be had.
  async refused() {
    this.stream.close();
    this.stream = undefined;
    let status = 0;
    try {
      status = (await fetch("/v1/changes", { method: "HEAD", cache: "no-store" })).status;
    } catch {
      // No connection: try again.
    }
    if (status === 401) this.end();
    else if (status === 403) this.rest();
    else this.again((this.wait = Math.min(retry.most, this.wait * retry.grows)));
  }

  again(after) {
    clearTimeout(this.retrying);
    if (this.over || document.hidden) return;
    this.retrying = setTimeout(() => {
      this.rest();
      this.listen();
    }, after * (0.7 + 0.6 * Math.random()));
  }

  schedule() {
    if (this.refreshing !== undefined || this.over) return;
    const soon = this.urgency === "now" ? 0 : pauses.soonSpread * Math.random();
    this.refreshing = setTimeout(() => this.refresh(false), Math.max(soon, this.notBefore - performance.now()));
  }

  // refresh asks for the page again and puts what is new into it.
  async refresh(asked) {
    const scheduled = this.refreshing;
    if (!asked && isTyping(document.querySelector("main"))) {
      this.refreshing = undefined;
      this.say("waiting");
      return;
    }
    const begun = performance.now();
    try {
      const response = await fetch(location.href, { headers: { Accept: "text/html" }, credentials: "same-origin", cache: "no-store" });
      if (response.status === 401 || (response.redirected && new URL(response.url).pathname !== location.pathname)) return this.end();
      // A page that says what is wrong with a question is a page too.
      if (!response.ok && response.status !== 422) throw new Error(String(response.status));
      const fresh = new DOMParser().parseFromString(await response.text(), "text/html");
      if (!asked && isTyping(document.querySelector("main"))) return this.say("waiting");
      merge(document.querySelector("main"), fresh.querySelector("main"));
      this.shown = Number(fresh.documentElement.dataset.position || 0);
      this.heard = new Date();
      this.say("live");
      await this.refreshed();
    } catch {
      this.say("stale");
    } finally {
      if (this.refreshing === scheduled) this.refreshing = undefined;
      const took = performance.now() - begun;
      this.notBefore = performance.now() + Math.max(pauses.least, pauses.costs * took) + pauses.spread * Math.random();
      if (this.shown < this.told && this.state !== "waiting" && !document.hidden) this.schedule();
    }
  }

  end() {
    this.over = true;
    this.rest();
    this.say("ended");
  }

  // say writes the line, only when its meaning changes: it is read out.
  say(state) {
    if (state === this.state) return;
    this.state = state;
    this.line.dataset.state = state;
    const parts = {
      live: ["Live: changes show as they come."],
      stale: [`Stale since ${clock(this.heard)}: the connection is lost and is tried again. What you see may be older than the record.`],
      waiting: ["Something has changed. This page waits, because you are typing. ", button("Show what is new", () => this.showNow())],
      ended: [`Stale since ${clock(this.heard)}: your sign-in has ended. `, anchor("/", "Sign in again"), " in another tab or here; what you typed stays on this page until you leave it."],
    }[state];
    this.line.replaceChildren(...parts);
  }

  showNow() {
    this.line.querySelector("button")?.setAttribute("disabled", "");
    document.getElementById("main").focus({ preventScroll: true });
    this.refresh(true);
  }
}

function clock(time) {
  return time.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
}

function button(text, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

function anchor(href, text) {
  const made = document.createElement("a");
  made.href = href;
  made.textContent = text;
  return made;
}
