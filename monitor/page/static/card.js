// One jar's card: its stage, large enough to read across the kitchen, the next moment, the curve with the jar as its axis,
// three figures, and the buttons to report something. Only "feed now" shouts.

import { bakersWord } from "./baker.js";
import { token, tone } from "./glyphs.js";
import { pictureOf } from "./picture.js";
import { RiseChart, lengthsButton } from "./rise.js";
import { tellPanel } from "./tell.js";
import { clock, el, sayTimes, svg } from "./words.js";

const AFTERWARDS = "If it is another starter, say so under “More”.";
const DESK_PX = 700; // width of the chart from which on letters and jar are drawn larger

export function makeCard(name, live) {
  const readOnly = document.body.hasAttribute("data-read-only");
  const since = el("span", { class: "since" }), word = el("span", { class: "word" }), tile = el("span"), headline = document.createTextNode(""), detail = el("small");
  const next = el("p", { class: "next" }, headline, detail);
  const grams = el("div", { class: "grams" }), acts = el("div", { class: "acts" });
  const head = el("div", { class: "head" }, el("div", { class: "who" }, el("h2", {}, name), since), el("p", { class: "stage" }, tile, word), next, grams, acts);
  const wrong = el("div", { class: "wrong" }), facts = el("dl", { class: "facts" }), key = el("p", { class: "key" }), lines = el("ul", { class: "lines" });
  const waiting = el("p", { class: "soft", role: "status" });
  const big = () => chart.box.clientWidth >= DESK_PX;
  const chart = new RiseChart({ height: (wide) => (wide >= DESK_PX ? 430 : wide >= 560 ? 400 : 336) });
  const telling = readOnly ? null : tellPanel(name, live);
  const low = el("div", { class: "row low" }), baker = bakersWord(name);
  const node = el("article", { class: "plate card" }, head, el("div", { class: "in" }, wrong, telling?.question, telling?.usual, chart.node, key, waiting, facts, lines, low, telling?.panel, telling?.said, telling?.back, baker));
  const lengths = lengthsButton(() => chart.mounted?.draw());
  let curve = null, ghosts = [], jar = null, alive = true, arranged = null;

  async function load() {
    try {
      const state = await live.curves.of(name);
      if (!alive) return;
      curve = state;
      waiting.textContent = "";
      draw(); // past rises are added later: their readings may have to be fetched first
      const rises = jar?.run ? await live.curves.rises(jar) : [];
      if (!alive || rises === ghosts) return;
      ghosts = rises;
      draw();
    } catch (error) {
      waiting.textContent = String(error.message);
    }
  }

  function draw() {
    if (!jar || !alive) return;
    const desk = big();
    chart.size = desk ? 14 : 13;
    chart.jarWidth = desk ? 98 : 64;
    const state = curve && curve.fed_at_s === (jar.fed?.at_s ?? null) ? curve : null;
    if (!state && curve) { reload(); return; }
    if (!state && !jar.waiting && jar.fed) return; // the answer is on its way
    const picture = pictureOf(jar, state, ghosts, live.now_s());
    chart.show(picture);
    const parts = !picture.level ? [] : [["level", "level"], ["dots", "readings"], ...(picture.ghosts.length ? [["ghost", picture.ghosts.length === 1 ? "its last rise" : `its last ${picture.ghosts.length} rises`]] : []),
      ...(picture.gap ? [["gap", "nothing heard"]] : []), ...(picture.course ? [["fan", jar.silent_since_s ? "forecast from its past" : "forecast: likely, possible"]] : [])];
    key.replaceChildren(...parts.map(([kind, words]) => el("span", {}, keyMark(kind), words)), ...(picture.level && jar.scale ? [lengths] : []));
  }

  function reload() { curve = null; live.curves.forget(name); load(); }

  return {
    node, name,
    get jar() { return jar; },
    busy: () => node.contains(document.activeElement) || telling?.open() || telling?.justTold(),
    hold: () => telling?.hold(),
    reload,
    end() { alive = false; chart.end(); },
    moved() { if (live.curves.known.get(name) === curve) draw(); else load(); },
    update(next_) {
      const another = jar && (next_.cycle !== jar.cycle || next_.run !== jar.run || (next_.fed?.at_s ?? null) !== (jar.fed?.at_s ?? null));
      const first = !jar;
      jar = next_;
      const face = jar.face, look = face.look, hot = look === "feed";
      node.classList.toggle("feed", hot);
      head.className = `head t-${tone(look)}`;
      tile.replaceChildren(token(look));
      word.textContent = face.word;
      since.textContent = face.since;
      const weighed = hot && jar.last_feeding?.flour_g != null && jar.last_feeding?.starter_g != null && jar.last_feeding?.water_g != null;
      headline.textContent = weighed ? "" : face.headline;
      detail.textContent = face.detail;
      next.hidden = weighed && !face.detail;
      grams.hidden = !weighed;
      if (weighed) grams.replaceChildren(...[["keep", "starter_g"], ["flour", "flour_g"], ["water", "water_g"]].map(([words, what]) => el("div", {}, words, el("b", {}, telling ? telling.weight(jar.last_feeding[what]) : `${jar.last_feeding[what]} g`))));
      facts.replaceChildren(...factsOf(jar).map(([words, says]) => el("div", {}, el("dt", {}, words), el("dd", {}, says))));
      lines.replaceChildren(...linesOf(jar).map((one) => el("li", {}, ...one)));
      const troubles = (jar.throw_away ? [`${jar.throw_away.says} ${AFTERWARDS}`] : []).concat(jar.health);
      wrong.replaceChildren(...troubles.map((says) => el("p", { class: "bad" }, says)));
      telling?.update(jar);
      if (telling && arranged !== look) {
        arranged = look;
        const [above, below] = telling.arranged(look);
        acts.replaceChildren(...above);
        low.replaceChildren(...below);
      }
      if (first || another) load(); else draw();
    },
  };
}

/** Three figures; which three depends on what the jar is doing. */
function factsOf(jar) {
  const risen = ["risen", jar.rise_words ?? "–"], warm = ["warmth", jar.temperature_words ?? "–"], stands = ["stands at", jar.level_words ?? "–"];
  const next = jar.next_notice ? ["next notice", jar.next_notice.what === "Feed now" ? "when it sinks" : jar.next_notice.what.toLowerCase()] : null;
  switch (jar.face.look) {
    case "feed": case "sinking": return [["rose", jar.peak_ratio ? sayTimes(jar.peak_ratio) : "–"], ["now", jar.rise_words ?? "–"], warm];
    case "peak": return [risen, ["peak", jar.peak ? clock(jar.peak.at_s) : "–"], warm];
    case "rising": return [risen, ["climbing", jar.slope_words ?? "–"], next ?? warm];
    case "settling": return [stands, warm, next ?? ["pace", jar.slope_words ?? "–"]];
    default: return jar.waiting ? [] : [risen, warm, ["last reading", jar.heard ? clock(jar.heard.at_s) : "–"]];
  }
}

/** What else is known, in small print. */
function linesOf(jar) {
  const out = [];
  if (jar.waiting) out.push(["Nothing heard yet: is the device sending? ", el("code", {}, "jartide check"), " listens."]);
  if (jar.bake) out.push([jar.bake.words, " ", el("a", { href: `#/plan/${encodeURIComponent(jar.jar)}` }, "Plan"), ...jar.bake.moved.flatMap((words) => [el("br"), words])]);
  if (jar.snoozed_until) out.push([`Snoozed until ${jar.snoozed_until.words}.`]);
  const notes = (jar.notes ?? []).filter((note) => note.what !== "snooze"), last = notes[notes.length - 1];
  if (last) out.push([`Noted: ${last.says}, ${last.words}`, notes.length > 1 ? el("span", {}, " ", el("a", { href: `#/over/${jar.run}:${jar.cycle}` }, `and ${notes.length - 1} more`)) : "."]);
  return out;
}

const KEYS = {
  level: () => svg("svg", { width: 22, height: 12 }, svg("path", { class: "level", "stroke-width": 3, d: "M1 9 21 3" })),
  dots: () => svg("svg", { width: 20, height: 12, class: "raw" }, ...[[4, 8], [10, 4], [16, 7]].map(([cx, cy]) => svg("circle", { cx, cy, r: 1.6 }))),
  ghost: () => svg("svg", { width: 22, height: 12 }, svg("path", { class: "ghostline", "stroke-width": 1.8, d: "M1 9 21 3" })),
  fan: () => svg("svg", { width: 22, height: 14 }, svg("path", { class: "fan90", d: "M0 12 22 0v14z" }), svg("path", { class: "fan50", d: "M0 12 22 3v7z" }), svg("path", { class: "median", "stroke-width": 2.4, "stroke-dasharray": ".1 5", d: "M1 12 21 6" })),
  gap: () => svg("svg", { width: 18, height: 12 }, svg("rect", { class: "gap", width: 18, height: 12 })),
};
export function keyMark(kind) {
  const mark = KEYS[kind]();
  mark.setAttribute("aria-hidden", "true");
  return mark;
}
