// Who uses this device: a name typed once, kept by the browser, and sent with every report. No account, no password.

import { el, jarPath, post } from "./words.js";

const KEY = "jartide-name";

export const MOST_LABEL = 60; // characters, as the API takes them

export const nameGiven = () => { try { return localStorage.getItem(KEY) ?? ""; } catch { return ""; } };

/** Reports something about a jar, with the name of this device's user if there is one. */
export const tellOf = (jar, what, body) => post(jarPath(jar, what), nameGiven() ? { ...body, by: nameGiven() } : body);

/** The field for the name. */
export function nameField() {
  const input = el("input", { type: "text", name: "who", maxlength: MOST_LABEL, autocomplete: "off", value: nameGiven(), placeholder: "nobody in particular" });
  input.addEventListener("input", () => { try { localStorage.setItem(KEY, input.value.trim()); } catch { /* a browser that keeps nothing */ } });
  return el("label", {}, "Your name, on this device", input);
}
