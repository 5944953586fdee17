// The wall: one jar or all of them, full screen and readable from two metres; the screen is kept awake meanwhile.

import { glyph, token, tone } from "./glyphs.js";
import { inNeed } from "./now.js";
import { pictureOf } from "./picture.js";
import { RiseChart } from "./rise.js";
import { clock, el, sayTimes, svg } from "./words.js";
import { vessel } from "./vessel.js";

const MOST = 6;

export function wallView(main, live, chosen) {
  document.body.classList.add("on-wall");
  const wall = el("div", { class: "wall" }), bar = el("div", { class: "wall-bar" });
  const full = el("button", { type: "button", class: "other", onclick: () => document.documentElement.requestFullscreen?.() }, "Fill the screen");
  const chime = el("button", { type: "button", class: "other", "aria-pressed": "false", onclick: () => ring.toggle() }, "Chime: off");
  bar.append(el("a", { class: "button other", href: "#/" }, "Back"), full, chime);
  main.append(el("h1", { class: "unseen", tabindex: -1 }, "Wall"), wall, bar);
  const ring = makeChime(chime);
  let chart = null, lock = null, alive = true, timer = null, hungry = null, columns = null, drawn = false;
  const stay = async () => { try { lock = await navigator.wakeLock?.request("screen"); } catch { /* it asks for https, or a charged battery */ } };
  const again = () => { if (!document.hidden) stay(); };
  document.addEventListener("visibilitychange", again);
  stay();

  async function show() {
    timer = null;
    const jars = inNeed(live.now.jars);
    if (!alive || !jars.length) return;
    const feeding = jars.filter((jar) => jar.face.look === "feed").map((jar) => jar.jar);
    if (hungry && feeding.some((name) => !hungry.includes(name))) ring.sound();
    hungry = feeding;
    const one = chosen === undefined ? (jars.length === 1 ? jars[0] : null) : jars.find((jar) => jar.jar === chosen);
    if (one) await showOne(one); else showAll(jars);
  }

  async function showOne(jar) {
    const face = jar.face, hot = face.look === "feed", grams = jar.last_feeding ?? {};
    wall.className = `wall one${hot ? " hot" : ""}`;
    if (!columns) {
      columns = { words: el("div", { class: "col" }), plate: el("div", { class: "plate" }) };
      chart = new RiseChart({ size: Math.max(20, Math.round(innerWidth / 57)), jar: 72, height: () => Math.max(300, columns.plate.clientHeight - 50) });
      columns.plate.append(chart.node);
      wall.replaceChildren(columns.words, columns.plate);
    }
    const weighed = hot && grams.flour_g != null && grams.starter_g != null && grams.water_g != null;
    columns.words.replaceChildren(el("p", { class: "wall-name" }, jar.jar), token(face.look, "wall-token"), el("p", { class: "wall-word" }, face.word),
      el("p", { class: "wall-next" }, weighed ? `${grams.starter_g} + ${grams.flour_g} + ${grams.water_g} g` : face.headline), el("p", { class: "wall-small" }, weighed ? "keep, flour, water" : face.detail),
      el("p", { class: "wall-small" }, el("b", {}, jar.rise_ratio ? sayTimes(jar.rise_ratio) : ""), jar.temperature_words ? `, ${jar.temperature_words}` : ""), el("p", { class: "wall-clock" }, clock(live.now_s())));
    const state = await live.curves.of(jar.jar).catch(() => null);
    const draw = (rises) => { if (alive && state) chart.show(pictureOf(jar, state.fed_at_s === (jar.fed?.at_s ?? null) ? state : null, rises, live.now_s())); };
    if (!drawn) draw([]); // past rises are added later: their readings may have to be fetched first
    drawn = true;
    draw(jar.run ? await live.curves.rises(jar) : []);
  }

  function showAll(jars) {
    wall.className = "wall all";
    const feeding = jars.filter((jar) => jar.face.look === "feed").length;
    wall.replaceChildren(el("p", { class: "wall-top" }, el("span", {}, feeding ? `${feeding === 1 ? "One jar" : `${feeding} jars`} to feed` : "Nothing to feed"), el("span", { class: "soft" }, clock(live.now_s()))),
      el("div", { class: "wall-row" }, ...jars.slice(0, MOST).map(column)));
  }

  function column(jar) {
    const face = jar.face, Y = (r) => 470 - 400 * Math.min(r, 3) / 3, glass = vessel();
    glass.place({ x: 70, w: 190, floor: 470, rim: 70, surface: jar.rise_ratio === null && face.look !== "settling" ? null : Y(jar.rise_ratio ?? 1), look: face.look, stroke: 6 });
    return el("a", { class: `wall-jar${face.look === "feed" ? " hot" : ""}`, href: `#/wall/${encodeURIComponent(jar.jar)}` }, el("span", { class: `s-${tone(face.look)} tinted` }, glyph(face.look, 90)),
      svg("svg", { viewBox: "0 0 330 490", "aria-hidden": "true" }, svg("path", { class: "grid one", "stroke-width": 3, d: `M0 ${Y(1)}H330` }), svg("path", { class: "grid", "stroke-width": 3, d: `M0 ${Y(2)}H330` }), glass.node, svg("path", { class: "board", d: "M0 480H330", "stroke-width": 14 })),
      el("span", { class: "wall-who" }, jar.jar), el("span", { class: "wall-what" }, face.look === "silent" ? "Silent" : face.word), el("span", { class: "wall-when" }, face.short));
  }

  const later = () => { timer ??= setTimeout(show, 250); };
  const off = live.subscribe({ whole: later, message: later });
  const tick = setInterval(later, 20_000);
  show();
  return () => {
    alive = false;
    off();
    clearTimeout(timer);
    clearInterval(tick);
    chart?.end();
    lock?.release?.();
    document.removeEventListener("visibilitychange", again);
    document.body.classList.remove("on-wall");
    if (document.fullscreenElement) document.exitFullscreen();
  };
}

/** Two soft notes when another jar wants feeding; browsers allow sound only after somebody has tapped the page. */
function makeChime(button) {
  let sound = null;
  const note = (at_s, hz) => {
    const tone_ = sound.createOscillator(), loud = sound.createGain();
    tone_.frequency.value = hz;
    loud.gain.setValueAtTime(0.0001, sound.currentTime + at_s);
    loud.gain.exponentialRampToValueAtTime(0.25, sound.currentTime + at_s + 0.02);
    loud.gain.exponentialRampToValueAtTime(0.0001, sound.currentTime + at_s + 1.2);
    tone_.connect(loud).connect(sound.destination);
    tone_.start(sound.currentTime + at_s);
    tone_.stop(sound.currentTime + at_s + 1.3);
  };
  const ring = () => { if (sound) { note(0, 523.25); note(0.35, 392); } };
  return {
    sound: ring,
    toggle() {
      if (sound) { sound.close(); sound = null; } else { sound = new AudioContext(); ring(); }
      button.textContent = `Chime: ${sound ? "on" : "off"}`;
      button.setAttribute("aria-pressed", String(Boolean(sound)));
    },
  };
}
