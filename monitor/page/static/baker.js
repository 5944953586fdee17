// What a baker would say about a jar: whether it is fit to bake with, what it is doing, what to try. It is fetched only
// when somebody unfolds it, and again each time they do.

import { adviceList, guideLink } from "./guide.js";
import { el, get, jarPath } from "./words.js";

const VERDICTS = { yes: "Fit to bake with: yes.", no: "Fit to bake with: no.", "not yet": "Fit to bake with: not yet." };

export function bakersWord(jar) {
  const box = el("div", { role: "status" }), fold = el("details", { class: "baker" }, el("summary", {}, "What would a baker say?"), box);
  fold.addEventListener("toggle", async () => {
    if (!fold.open) return;
    box.replaceChildren(el("p", { class: "soft" }, "…"));
    try {
      const said = await get(jarPath(jar, "assessment"));
      box.replaceChildren(el("p", {}, el("b", {}, VERDICTS[said.verdict]), ` ${said.because} `, guideLink("fit", "What that means")),
        ...[said.now, said.flagging].filter(Boolean).map((words) => el("p", {}, words)), adviceList(said.advice) ?? "");
    } catch (error) { box.replaceChildren(el("p", { class: "bad" }, String(error.message))); }
  });
  return fold;
}
