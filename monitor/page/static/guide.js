// The guide's pages, offline, and the links that lead from a piece of advice to the page that says more.

import { el, get } from "./words.js";

/** A link to the page that a word opens. */
export const guideLink = (topic, words = "Why") => el("a", { href: `#/guide/${encodeURIComponent(topic)}`, "aria-label": `${words}: the guide on ${topic}` }, `${words}`);

/** Pieces of advice as a list, each with its page. */
export const adviceList = (advice) => (advice.length ? el("ul", { class: "plain advice" }, ...advice.map((one) => el("li", {}, `${one.say} `, guideLink(one.guide)))) : null);

export async function guideView(main, live, topic) {
  const page = await get(topic ? `api/guide/${encodeURIComponent(topic)}` : "api/guide");
  main.append(el("p", {}, el("a", { href: "#/" }, "Back to the jars")), el("h1", { tabindex: -1 }, page.title),
    el("section", { class: "plate" }, el("div", { class: "in" }, ...page.paragraphs.map((words) => el("p", {}, words)))),
    el("section", { class: "plate", "aria-labelledby": "pages" }, el("div", { class: "in" }, el("h2", { id: "pages" }, "All pages"),
      el("ul", { class: "plain" }, ...page.pages.map((one) => el("li", {}, el("a", { href: `#/guide/${one.key}`, "aria-current": one.key === page.key ? "true" : null }, one.title)))),
      el("p", { class: "soft" }, el("a", { href: "guide/index.html" }, "The whole guide"), ", also about running Jartide."))));
  return () => {};
}
