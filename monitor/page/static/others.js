// The jars of other daemons at the same broker, the most urgent first: a read-only list of the whole house.

import { token } from "./glyphs.js";
import { el, get } from "./words.js";

const AGAIN_MS = 20_000;
const LOOK = { unknown: "new", settling: "settling", rising: "rising", peaked: "peak", falling: "feed", flat: "flat", resting: "resting", away: "new" };

export async function othersView(main) {
  if (!document.body.hasAttribute("data-others")) {
    main.append(el("h1", { tabindex: -1 }, "Other daemons' jars"), el("p", {}, "This page lists only its own jars; others = true under [page] in the config adds those of other daemons. ", el("a", { href: "#/" }, "To the jars")));
    return () => {};
  }
  const says = el("p", { class: "soft", role: "status" }), list = el("ul", { class: "rows" });
  main.append(el("h1", { tabindex: -1 }, "Other daemons' jars"), el("section", { class: "plate" }, el("div", { class: "in" }, says), list));
  async function show() {
    try {
      const found = await get("api/others");
      says.textContent = found.count === 0 ? "None yet: each daemon reports its jars once a minute."
        : `${found.count === 1 ? "One jar is" : `${found.count} jars are`} watched by other daemons.${found.count > found.jars.length ? ` The ${found.jars.length} that need feeding first:` : ""}`;
      list.replaceChildren(...found.jars.map((one) => el("li", {}, token(one.stale ? "silent" : LOOK[one.stage], "small"), el("span", { class: "t" }, el("b", {}, one.jar), ` ${one.stage_words}`, el("br"), el("span", { class: "soft" }, one.words)))));
    } catch (error) { says.textContent = error.message; }
  }
  await show();
  const timer = setInterval(show, AGAIN_MS);
  return () => clearInterval(timer);
}
