// Now: the jar that needs attention most is shown open, the others stand on the shelf and in a list below it, and a tap
// opens any of them. With a single jar the view is just that jar.

import { makeCard } from "./card.js";
import { comingMoments, jarRow, shelf } from "./shelf.js";
import { clock, el } from "./words.js";

const DESK_PX = 900, SOON_MS = 250;
const AT_ONCE = 12; // small curves fetched as soon as the large one is drawn

export const inNeed = (jars) => [...jars].sort((a, b) => a.face.need - b.face.need || moment(a) - moment(b));
const moment = (jar) => jar.forecast?.peak_at?.likely_s ?? jar.forecast?.fall_at?.likely_s ?? Infinity;

/** The card of a jar about which nothing is known yet. */
export const unheard = (name) => ({ jar: name, stage: "unknown", stage_words: "nothing known yet", waiting: true, level_mm: null, rise_ratio: null, rise_words: null,
  scale: null, fed: null, forecast: null, course: null, lid_off: [], health: [], notes: [], last_feeding: {}, run: null, cycle: null,
  face: { look: "new", word: "Ready", since: "", headline: "Waiting for the first reading", detail: "", row: "waiting for the first reading", short: "new", need: 6 } });

export function nowView(main, live, chosen) {
  const spoken = el("p", { class: "unseen", "aria-live": "polite" });
  const house = el("div", { class: "house" });
  const board = el("section", { class: "plate board", "aria-label": "All jars" }, el("div", { class: "in tight" }));
  const rows = el("ul", { class: "rows" }), next = el("div");
  const open = el("div", { class: "open" });
  const others = el("section", { class: "plate", "aria-label": "The other jars" }, rows);
  const soon = el("section", { class: "plate", "aria-label": "Next" }, el("div", { class: "in" }, el("h2", {}, "Next")), next,
    el("p", { class: "in soft small foot-line" }, el("a", { href: "#/wall" }, "Wall view"), " fills the screen and keeps it awake. ", el("a", { href: "#/sheet" }, "Feeding sheet"), ": all jars in order, with grams, ready to print.", document.body.hasAttribute("data-others") ? " " : "", document.body.hasAttribute("data-others") ? el("a", { href: "#/others" }, "Other daemons' jars") : ""));
  const side = el("div", { class: "side" }, others, soon);
  main.append(el("h1", { class: "unseen", tabindex: -1 }, "Now"), spoken, board, house);
  house.append(open, side);
  const looks = new Map();
  let card = null, timer = null, alive = true, wide = main.clientWidth;

  const jars = () => inNeed([...live.now.jars, ...live.now.quiet_jars.filter((name) => !live.now.jars.some((one) => one.jar === name)).map(unheard)]);

  function show() {
    timer = null;
    const all = jars();
    if (!all.length || !alive) return;
    const many = all.length > 1;
    let shown = all.find((jar) => jar.jar === chosen) ?? all[0];
    if (chosen === undefined && card?.busy()) shown = all.find((jar) => jar.jar === card.name) ?? shown; // somebody is writing in it: keep it open
    if (!card || card.name !== shown.jar) {
      const another = card !== null;
      card?.end();
      card = makeCard(shown.jar, live);
      open.replaceChildren(card.node);
      if (another) card.hold();
    }
    card.update(shown);
    main.classList.toggle("many", many);
    board.hidden = !many;
    side.hidden = !many;
    if (!many) return;
    const inside = board.firstElementChild, room = Math.floor(inside.clientWidth - 16);
    const held = document.activeElement?.closest?.(".board a, .rows a")?.getAttribute("href"), where = document.activeElement?.closest?.(".board") ? inside : rows;
    if (room > 100) inside.replaceChildren(shelf(all, room, innerWidth >= DESK_PX));
    const others_ = all.filter((jar) => jar !== shown);
    rows.replaceChildren(...others_.map((jar) => jarRow(jar, live.curves.known.get(jar.jar))));
    next.replaceChildren(comingMoments(all, live.now_s(), clock));
    if (held) where.querySelector(`a[href="${CSS.escape(held)}"]`)?.focus();
    setTimeout(() => fetchCurves(others_.slice(0, AT_ONCE)), 0);
  }
  const later = () => { timer ??= setTimeout(show, SOON_MS); };

  /** Fetches the small curves; then everything is drawn again, so that no part of the page is newer than another. */
  async function fetchCurves(some) {
    const missing = some.filter((jar) => !live.curves.known.has(jar.jar));
    if (!missing.length) return;
    await Promise.allSettled(missing.map((jar) => live.curves.of(jar.jar)));
    if (alive && missing.some((jar) => live.curves.known.has(jar.jar))) later();
  }

  const off = live.subscribe({
    whole() { card?.reload(); show(); },
    message(news) {
      for (const jar of news.jars ?? []) {
        const before = looks.get(jar.jar);
        if (before && before !== jar.face.word) spoken.textContent = `${jar.jar}: ${jar.face.word}`;
        looks.set(jar.jar, jar.face.word);
        if (jar.jar === card?.name) card.update(jar);
      }
      if (card && news.curves?.[card.name]) card.moved();
      if (news.jars || Object.keys(news.curves ?? {}).some((name) => name !== card?.name)) later();
    },
  });
  const watch = new ResizeObserver(() => { if (Math.abs(main.clientWidth - wide) > 8) { wide = main.clientWidth; later(); } });
  watch.observe(main);
  return () => { alive = false; off(); clearTimeout(timer); watch.disconnect(); card?.end(); };
}
