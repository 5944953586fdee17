// The curves of all jars' open cycles, kept once for all views: fetched when somebody looks, extended by events.

import { get, jarPath } from "./words.js";

export class Curves {
  /** `first` came with the page itself, so nothing needs to be fetched. */
  constructor(first) {
    this.known = new Map(Object.entries(first));
    this.past = new Map(); // the latest rises, by jar and cycle
    this.asked = new Map();
  }

  /** A promise of a jar's curve. */
  of(name) {
    if (this.known.has(name)) return Promise.resolve(this.known.get(name));
    if (!this.asked.has(name)) {
      this.asked.set(name, get(jarPath(name, "curve")).then((state) => { this.known.set(name, state); return state; }).finally(() => this.asked.delete(name)));
    }
    return this.asked.get(name);
  }

  /** Fetches again what may have been missed. */
  forget(name) { if (name === undefined) this.known.clear(); else this.known.delete(name); }

  /** Takes new points; returns whether the jar's curve has started over and must be fetched. */
  moved(name, change) {
    const state = this.known.get(name);
    if (!state) return false;
    if (change.fed_at_s !== state.fed_at_s) { this.known.delete(name); return true; }
    const curve = state.curve, keys = Object.keys(curve), columns = change.columns;
    columns.time_s.forEach((s, i) => {
      const last = curve.time_s.length - 1;
      const place = s > (curve.time_s[last] ?? -Infinity) ? last + 1 : curve.time_s.lastIndexOf(s);
      if (place < 0) return; // older than what is drawn, and thinned: the next full answer has it
      for (const key of keys) curve[key][place] = columns[key][i];
    });
    return false;
  }

  /** A jar's latest whole rises, fetched once a cycle; empty while they cannot be had. */
  rises(jar) {
    const key = `${jar.jar} ${jar.run}:${jar.cycle}`;
    if (!this.past.has(key)) this.past.set(key, get(jarPath(jar.jar, "shapes")).catch(() => []));
    return this.past.get(key);
  }
}
