// Notices by Web Push on the phone or browser that shows this page: switch them on or off, or say why it is not possible.

import { el, get, post } from "./words.js";

export function phonePlate() {
  const box = el("div"), said = el("p", { class: "soft", role: "status" });
  show(box, said).catch((error) => { said.textContent = String(error.message); });
  return el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "Notices on this phone"), box, said));
}

async function show(box, said) {
  const offer = await get("api/phones");
  if (!offer.key) { said.textContent = `Not from here: ${offer.why_not}. Other ways: jartide guide notices.`; return; }
  const worker = navigator.serviceWorker && window.PushManager ? await navigator.serviceWorker.ready : null;
  if (!worker) { said.textContent = "This browser cannot receive notices from a page. On an iPhone, put the page on the home screen first and open it there."; return; }
  const mine = await worker.pushManager.getSubscription();
  const turn = async (act, done) => {
    button.disabled = true;
    try { await act(); said.textContent = done; await show(box, said); } catch (error) { said.textContent = `That did not work: ${error.message}`; button.disabled = false; }
  };
  const begin = async () => {
    const made = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(offer.key) });
    await post("api/phones", made.toJSON());
  };
  const end = async () => { await post("api/phones/left", { endpoint: mine.endpoint }); await mine.unsubscribe(); };
  const button = mine
    ? el("button", { type: "button", class: "other", onclick: () => turn(end, "Notices no longer come here.") }, "No more notices here")
    : el("button", { type: "button", onclick: () => turn(begin, "The next notice will come here too.") }, "Tell me on this phone");
  box.replaceChildren(el("p", { class: "soft" }, "They go through the push service of your browser’s maker, encrypted: it sees that there is a notice, but not what it says. Both ends need internet access."), button);
}

const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (one) => one.charCodeAt(0));
