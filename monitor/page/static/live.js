// The one connection to the server's events. It reconnects by itself after the daemon restarts, after the phone has slept,
// and after a sign-in; listeners then get everything again.

import { Curves } from "./curves.js";
import { clock, el, get, house } from "./words.js";

const AGAIN_MS = 3000;

export class Live {
  constructor(banner, curves) {
    this.banner = banner;
    this.curves = new Curves(curves);
    this.listeners = new Set();
    this.now = null;
    this.source = null;
    this.lost = null;
    document.addEventListener("visibilitychange", () => { if (!document.hidden && this.lost) this.fetchAll(); });
  }

  /** Calls `listener.whole(now)` at first and whenever anything may have been missed, otherwise `listener.message(news)`. */
  subscribe(listener) {
    this.listeners.add(listener);
    if (this.now) listener.whole?.(this.now);
    return () => this.listeners.delete(listener);
  }

  /** `first` came with the page itself, so nothing needs to be fetched. */
  start(first) { this.take(first); }

  async fetchAll() {
    clearTimeout(this.timer);
    this.source?.close();
    try {
      this.take(await get("api/now"));
    } catch (error) {
      this.lose(error);
    }
  }

  /** The server's clock: times that are reported must not depend on the phone's clock. */
  now_s() { return Date.now() / 1000 + this.ahead_s; }

  take(now) {
    this.ahead_s = now.now_s - Date.now() / 1000;
    house.units = now.units;
    house.zone = now.time_zone ?? undefined;
    if (this.now) this.curves.forget(); // something may have been missed
    this.now = now;
    this.lost = null;
    for (const listener of this.listeners) listener.whole?.(now);
    this.say(now);
    this.open(now.place);
  }

  open(place) {
    const source = (this.source = new EventSource(`api/events?after=${encodeURIComponent(place)}`));
    source.onmessage = (event) => {
      const news = JSON.parse(event.data);
      this.ahead_s = news.now_s - Date.now() / 1000;
      for (const jar of news.jars ?? []) {
        const i = this.now.jars.findIndex((one) => one.jar === jar.jar);
        if (i < 0) this.now.jars.push(jar); else this.now.jars[i] = jar;
      }
      Object.assign(this.now, { as_of_s: news.as_of_s, now_s: news.now_s, watching: news.watching, troubles: news.troubles });
      if ("trouble" in news) this.now.trouble = news.trouble;
      for (const [name, change] of Object.entries(news.curves ?? {})) this.curves.moved(name, change);
      for (const listener of this.listeners) listener.message?.(news);
      this.say(this.now);
    };
    source.addEventListener("again", () => this.fetchAll());
    source.onerror = () => { source.close(); this.lose(new Error("the connection was lost")); };
  }

  lose(error) {
    this.lost ??= error;
    this.say(this.now);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetchAll(), AGAIN_MS);
  }

  say(now) {
    const lines = [];
    if (this.lost) lines.push(`Not connected${now?.now_s ? `; what you see was true at ${clock(now.now_s)}` : ""}. Trying again.`);
    else if (now?.trouble) lines.push(`The store cannot be read: ${now.trouble}`);
    else if (now && !now.watching) lines.push("Nobody is watching just now: the daemon has said nothing for three minutes.");
    if (!this.lost) lines.push(...(now?.troubles ?? []));
    const text = lines.join("\n");
    if (text === this.said) return;
    this.said = text;
    this.banner.replaceChildren(...lines.map((line) => el("p", { class: "bad" }, line)));
  }
}
