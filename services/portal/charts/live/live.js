// Keeps a page in step with the record: hears that something has changed, asks for
// the page again, and says in words whether what is shown is of now.
import { merge } from "./merge.js";
import { isTyping } from "./typed.js";

// The first change is shown at once, what follows after a pause, so that a busy hour
// doesn't keep the service busy with pages. The pause grows with what a page costs:
// many open pages then share the machine instead of queueing for it. All in ms.
const pauses = { least: 4000, most: 60000, spread: 2000, costs: 60, soonSpread: 4000 };
const again = { least: 1000, most: 30000, grows: 1.7 };

// A connection that ends is nothing to speak of when it is back soon: the service
// itself ends each after a while.
const patience = 4000;

// The browser hides the service's signs of life from a page, and a connection can
// die without a word: after so long without a change the page asks.
const doubtAfter = 40000;

export function keepLive(refreshed) {
  const line = document.getElementById("live");
  const urgency = document.documentElement.dataset.live;
  if (line && urgency && globalThis.EventSource) new Live(line, urgency, refreshed).start();
}

class Live {
  constructor(line, urgency, refreshed) {
    this.line = line;
    this.urgency = urgency;
    this.refreshed = refreshed;
    this.shown = Number(document.documentElement.dataset.position || 0);
    this.told = this.shown;
    this.alarm = 0; // position at which the newest alarm became known
    this.hurried = this.shown; // position of the newest alarm that was shown at once
    this.heard = new Date(); // when it was last certain that nothing newer is there
    this.wait = again.least;
    this.notBefore = 0;
    this.state = "";
    this.timers = {};
  }

  start() {
    // A hidden page needs no connection: a browser has few of them for a host.
    document.addEventListener("visibilitychange", () => (document.hidden ? this.rest() : this.listen()));
    addEventListener("pagehide", () => this.rest());
    addEventListener("pageshow", () => this.listen());
    addEventListener("online", () => this.retry(0));
    document.getElementById("main").addEventListener("focusout", () => {
      if (this.state === "waiting") this.schedule();
    });
    this.listen();
  }

  // after runs something later, once, in place of what was to run by that name.
  after(name, ms, what) {
    this.not(name);
    this.timers[name] = setTimeout(() => {
      delete this.timers[name];
      what();
    }, ms);
  }

  not(name) {
    clearTimeout(this.timers[name]);
    delete this.timers[name];
  }

  rest() {
    this.stream?.close();
    this.stream = undefined;
    for (const name of Object.keys(this.timers)) this.not(name);
  }

  listen() {
    if (this.stream || this.over || document.hidden) return;
    const stream = new EventSource("/v1/changes");
    this.stream = stream;
    stream.onopen = () => this.alive();
    stream.addEventListener("changed", (event) => {
      const { position, alarm } = JSON.parse(event.data);
      this.told = position;
      this.alarm = alarm ?? 0;
      this.alive();
    });
    stream.onerror = () => {
      this.doubt();
      // After a lost connection the browser itself asks again, with the last
      // position; after an answer that refuses it doesn't.
      if (stream === this.stream && stream.readyState === EventSource.CLOSED) this.find();
    };
  }

  // alive notes that the service is there, and shows what it has told of.
  alive() {
    this.not("stale");
    this.wait = again.least;
    this.after("doubt", doubtAfter, () => this.find());
    if (this.told !== this.shown) return this.schedule();
    this.heard = new Date();
    if (this.state !== "waiting") this.say("live");
  }

  // doubt says that the page is stale unless the service is back soon.
  doubt() {
    if (!this.timers.stale) this.after("stale", patience, () => this.say("stale"));
  }

  // find finds out whether the service is there, and what it has against the stream.
  async find() {
    let status = 0;
    try {
      status = (await fetch("/v1/changes", { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(10000) })).status;
    } catch {
      // No connection.
    }
    const isOpen = this.stream?.readyState === EventSource.OPEN;
    if (status === 401) return this.end();
    if (status === 200 && isOpen) return this.alive();
    this.doubt();
    if (this.stream?.readyState !== EventSource.CONNECTING) this.retry((this.wait = Math.min(again.most, this.wait * again.grows)));
    else this.after("doubt", doubtAfter, () => this.find());
  }

  retry(after) {
    if (this.over || document.hidden) return;
    this.after("retry", after * (0.7 + 0.6 * Math.random()), () => {
      this.stream?.close();
      this.stream = undefined;
      this.listen();
    });
  }

  schedule() {
    // A new alarm doesn't wait for the end of a pause, once.
    const hurry = this.urgency === "now" && this.alarm > Math.max(this.shown, this.hurried);
    if ((this.timers.refresh && !hurry) || this.busy || this.over) return;
    if (isTyping(document.getElementById("main"))) return this.say("waiting");
    if (hurry) this.hurried = this.alarm;
    const soon = this.urgency === "now" ? 0 : pauses.soonSpread * Math.random();
    this.after("refresh", hurry ? 0 : Math.max(soon, this.notBefore - performance.now()), () => this.refresh(false));
  }

  // refresh asks for the page again and puts what is new into it; asked says that
  // whoever types wants it all the same.
  async refresh(asked) {
    const main = document.getElementById("main");
    if (!asked && isTyping(main)) return this.say("waiting");
    this.busy = true;
    const begun = performance.now();
    let took = 0;
    let failed = false;
    try {
      const response = await fetch(location.href, { headers: { Accept: "text/html" }, credentials: "same-origin", cache: "no-store" });
      if (response.status === 401 || (response.redirected && new URL(response.url).pathname !== location.pathname)) return this.end();
      // A page that says what is wrong with a question is a page too.
      if (!response.ok && response.status !== 422) throw new Error(String(response.status));
      const text = await response.text();
      took = performance.now() - begun;
      const fresh = new DOMParser().parseFromString(text, "text/html");
      if (!asked && isTyping(main)) return this.say("waiting");
      merge(main, fresh.getElementById("main"));
      this.shown = Number(fresh.documentElement.dataset.position || 0);
      document.documentElement.dataset.position = this.shown;
      this.heard = new Date();
      this.not("stale");
      this.say("live");
      await this.refreshed();
    } catch {
      failed = true;
    } finally {
      this.busy = false;
      const pause = Math.min(pauses.most, Math.max(pauses.least, pauses.costs * took));
      this.notBefore = performance.now() + (failed ? pauses.most : pause) + pauses.spread * Math.random();
      if (failed) this.say("stale");
      if (this.shown < this.told && !document.hidden) this.schedule();
    }
  }

  end() {
    this.over = true;
    this.rest();
    this.say("ended");
  }

  // say writes the line, and only when its meaning changes: it is read out.
  say(state) {
    if (state === this.state) return;
    this.state = state;
    this.line.dataset.state = state;
    const parts = {
      live: ["Live: changes show as they come."],
      stale: [`Stale since ${clock(this.heard)}: there is no connection; it is tried again. The record may be newer than this page.`],
      waiting: ["Something has changed. This page waits, because you are typing. ", button("Show what is new", () => this.showNow())],
      ended: [`Stale since ${clock(this.heard)}: your sign-in has ended. `, anchor("/", "Sign in again"), " in another tab, and what you typed here stays."],
    }[state];
    this.line.replaceChildren(...parts);
  }

  async showNow() {
    this.state = ""; // whatever comes of it is said
    this.line.querySelector("button").disabled = true;
    await this.refresh(true);
    document.getElementById("main").focus({ preventScroll: true });
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
  made.target = "_blank";
  made.rel = "noopener";
  made.textContent = text;
  return made;
}
