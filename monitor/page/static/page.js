// The page: which view an address names, the one live connection that all views share, and the title of the browser's tab.

import { guideView } from "./guide.js";
import { Live } from "./live.js";
import { lotsView } from "./lots.js";
import { nowView } from "./now.js";
import { othersView } from "./others.js";
import { overView } from "./over.js";
import { pastView } from "./past.js";
import { planView } from "./plan.js";
import { healthView } from "./rest.js";
import { settingsView } from "./settings.js";
import { siblingsView, sheetView } from "./sheet.js";
import { trialsView } from "./trials.js";
import { wallView } from "./wall.js";
import { clock, el, weekday } from "./words.js";

const VIEWS = { "": nowView, jar: nowView, past: pastView, over: overView, plan: planView, guide: guideView, trials: trialsView, wall: wallView, sheet: sheetView, siblings: siblingsView, others: othersView, lots: lotsView, health: healthView, settings: settingsView };
const TAB = { jar: "", wall: "", sheet: "", siblings: "past", others: "", lots: "", over: "past", settings: "health" };
const main = document.getElementById("main"), icon = document.getElementById("icon"), shown = document.getElementById("clock");
const first = JSON.parse(document.getElementById("first").textContent);
const live = new Live(document.getElementById("banner"), first.curves);
let leave = () => {}, visit = 0, titled = "Jartide";

async function go(begins) {
  if (location.hash === "#main") { main.focus(); return; }
  const mine = ++visit;
  const [, name = "", ...rest] = location.hash.replace(/^#/, "").split("/");
  let argument;
  try { argument = rest.length ? decodeURIComponent(rest.join("/")) : undefined; } catch { argument = undefined; }
  leave();
  leave = () => {};
  main.replaceChildren();
  for (const link of document.querySelectorAll("nav a")) {
    const here = link.getAttribute("href") === `#/${TAB[name] ?? name}`;
    if (here) link.setAttribute("aria-current", "page"); else link.removeAttribute("aria-current");
  }
  const stage = el("div", { class: "view" });
  main.append(stage);
  try {
    const end = await VIEWS[Object.hasOwn(VIEWS, name) ? name : ""](stage, live, argument);
    if (mine === visit) leave = end; else end();
  } catch (error) {
    if (mine === visit) stage.replaceChildren(el("h1", { tabindex: -1 }, "This cannot be shown"), el("p", { class: "bad" }, String(error.message)));
  }
  if (mine !== visit) return;
  stage.dataset.address = location.hash; // now this address is shown: up to here the previous view may still stand
  const title = stage.querySelector("h1");
  titled = title ? `${title.textContent} · Jartide` : "Jartide";
  say();
  if (!begins) { scrollTo(0, 0); title?.focus({ preventScroll: true }); }
}

/** The tab's title and icon: they name the jar that has to be fed, whichever view is open. */
function say() {
  const hungry = (live.now?.jars ?? []).filter((jar) => jar.face.look === "feed").map((jar) => jar.jar);
  document.title = hungry.length ? `● Feed ${hungry.slice(0, 3).join(", ")} now` : titled;
  const wanted = hungry.length ? "static/icon_feed.svg" : "static/icon.svg";
  if (icon.getAttribute("href") !== wanted) icon.setAttribute("href", wanted);
  const s = live.now_s();
  shown.textContent = innerWidth < 640 ? clock(s) : `${weekday(s)}, ${clock(s)}`;
}

addEventListener("hashchange", () => go(false));
live.subscribe({ whole: say, message: say });
live.start(first.now);
go(true);
setInterval(say, 10_000);
// lets a phone with the page on its home screen say that the house cannot be reached (browsers require https for this)
navigator.serviceWorker?.register("static/shell.js", { scope: "./" }).catch(() => {});
