// The live view: a card for each jar, moved by the server's events. The first screen's cards are made at once, the others
// in the moments after, so that a house of a hundred jars is seen as soon as one of a single jar.

import { makeCard } from "./card.js";
import { el } from "./words.js";

const AT_ONCE = 4; // cards: a phone shows one, a desk four
const AHEAD = "300px"; // a curve is fetched when its card comes this near to the window

export function nowView(main, live) {
  const house = el("div", { class: "house" });
  const cards = new Map();
  const spoken = el("p", { class: "skip", "aria-live": "polite" });
  main.append(el("h1", { class: "unseen", tabindex: -1 }, "Now"), spoken, house);
  let waiting = [], timer = null;

  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting) cards.get(entry.target.dataset.key)?.load();
  }, { rootMargin: AHEAD });

  function put(jar) {
    let card = cards.get(jar.jar);
    if (!card) {
      card = makeCard(jar.jar, live);
      card.node.dataset.key = jar.jar;
      cards.set(jar.jar, card);
      house.append(card.node);
      seen.observe(card.node);
    } else if (card.jar && card.jar.stage !== jar.stage) {
      spoken.textContent = `${jar.jar}: ${jar.stage_words}`;
    }
    card.update(jar);
  }

  function putSome() {
    for (const jar of waiting.splice(0, AT_ONCE)) put(jar);
    timer = waiting.length ? setTimeout(putSome) : null;
  }

  const unheard = (name) => ({ jar: name, stage: "unknown", stage_brief: "not known", stage_words: "nothing known yet", waiting: true,
    level_mm: null, rise_words: null, health: [], notes: [], last_feeding: {} });

  const off = live.subscribe({
    whole(now) {
      for (const card of cards.values()) card.reload();
      waiting = [...now.jars, ...now.quiet_jars.filter((name) => !cards.has(name)).map(unheard)];
      clearTimeout(timer);
      putSome();
    },
    message(news) {
      for (const jar of news.jars ?? []) {
        const later = waiting.findIndex((one) => one.jar === jar.jar);
        if (later >= 0) waiting[later] = jar; else put(jar);
      }
      for (const [name, change] of Object.entries(news.curves ?? {})) cards.get(name)?.moved(change);
    },
  });
  return () => { off(); clearTimeout(timer); seen.disconnect(); for (const card of cards.values()) card.end(); };
}
