// The page: which view an address names, and the one live connection that all of them share.

import { Live } from "./live.js";
import { nowView } from "./now.js";
import { overView } from "./over.js";
import { pastView } from "./past.js";
import { planView } from "./plan.js";
import { healthView, trialsView } from "./rest.js";
import { el } from "./words.js";

const VIEWS = { "": nowView, past: pastView, over: overView, plan: planView, trials: trialsView, health: healthView };
const main = document.getElementById("main");
const first = JSON.parse(document.getElementById("first").textContent);
const live = new Live(document.getElementById("banner"), first.curves);
let leave = () => {};
let visit = 0;

async function go(begins) {
  if (location.hash === "#main") { main.focus(); return; }
  const mine = ++visit;
  const [, name = "", ...rest] = location.hash.replace(/^#/, "").split("/");
  let argument;
  try { argument = rest.length ? decodeURIComponent(rest.join("/")) : undefined; } catch { argument = undefined; }
  leave();
  leave = () => {};
  main.replaceChildren();
  for (const link of document.querySelectorAll("header nav a")) {
    const here = link.getAttribute("href") === `#/${name === "over" ? "past" : name}`;
    if (here) link.setAttribute("aria-current", "page"); else link.removeAttribute("aria-current");
  }
  const stage = el("div");
  main.append(stage);
  try {
    const end = await VIEWS[Object.hasOwn(VIEWS, name) ? name : ""](stage, live, argument);
    if (mine === visit) leave = end; else end();
  } catch (error) {
    if (mine === visit) stage.replaceChildren(el("h1", { tabindex: -1 }, "This cannot be shown"), el("p", { class: "bad" }, String(error.message)));
  }
  if (mine !== visit) return;
  const title = stage.querySelector("h1");
  document.title = title ? `${title.textContent} · Jartide` : "Jartide";
  if (!begins) title?.focus();
}

addEventListener("hashchange", () => go(false));
live.start(first.now);
go(true);
