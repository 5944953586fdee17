// Small things that every view uses: making elements (text never becomes markup), asking the API, numbers in the
// household's units. Words about a jar come from the server; only axes and sliders are worded here.

export const house = { units: { temperature: "degC", length: "mm", weight: "g" }, zone: undefined };

/** An element with properties (on... are listeners, the others attributes, null none) and children (strings are text). */
export function el(name, properties = {}, ...children) {
  const made = document.createElement(name);
  dress(made, properties);
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

/** The same in SVG. */
export function svg(name, properties = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  dress(made, properties);
  made.append(...children);
  return made;
}

function dress(made, properties) {
  for (const [key, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else made.setAttribute(key, value === true ? "" : value);
  }
}

/** JSON of a GET; throws an Error with the server's sentence. */
export async function get(path) {
  return answer(await fetch(path, { headers: { accept: "application/json" } }));
}

/** JSON of a plain POST, for pages that have no token of their own. */
export const send = async (path, body) => answer(await fetch(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) }));

/** JSON of a POST. A new token is fetched if a restart or a new sign-in has made ours invalid. */
export async function post(path, body) {
  const meta = document.querySelector("meta[name=token]");
  const sent = () => fetch(path, {
    method: "POST",
    headers: { "content-type": "application/json", "x-jartide-token": meta.content },
    body: JSON.stringify(body),
  });
  let response = await sent();
  if (response.status === 403) {
    meta.content = (await get("api/session")).token;
    response = await sent();
  }
  return answer(response);
}

async function answer(response) {
  if (response.status === 401) location.assign("login");
  let body = null;
  try { body = await response.json(); } catch { /* a proxy's page */ }
  if (!response.ok) throw new Error(body?.error ?? `the server answered ${response.status}`);
  return body;
}

export const jarPath = (jar, what) => `api/jars/${encodeURIComponent(jar)}/${what}`;

export const lengthUnit = () => (house.units.length === "in" ? "in" : "mm");
export const toLength = (mm) => (mm === null ? null : house.units.length === "in" ? mm / 25.4 : mm);
export const sayLength = (mm) => `${toLength(mm).toFixed(house.units.length === "in" ? 2 : 0)} ${lengthUnit()}`;
export const toWarmth = (c) => (c === null ? null : house.units.temperature === "degF" ? c * 1.8 + 32 : c);
export const fromWarmth = (shown) => (house.units.temperature === "degF" ? (shown - 32) / 1.8 : shown);
export const degree = () => (house.units.temperature === "degF" ? "°F" : "°C");
export const sayWarmth = (c) => `${toWarmth(c).toFixed(1)} ${degree()}`;
export const asIfAt = () => `as if at ${Math.round(toWarmth(24))} ${degree()}`; // the temperature that equivalent hours refer to
export const capital = (words) => words.slice(0, 1).toUpperCase() + words.slice(1);
const OUNCE_G = 28.349523125;
export const sayWeight = (g) => (house.units.weight === "oz" ? `${(g / OUNCE_G).toFixed(g >= OUNCE_G ? 1 : 2)} oz`
  : `${g >= 10 ? Math.round(g) : Number(g.toFixed(1))} g`);
export const sayHours = (h) => (h === null ? "–" : `${h.toFixed(1)} h`);

const forms = new Map();
function form(options) {
  const key = JSON.stringify(options);
  if (!forms.has(key)) forms.set(key, new Intl.DateTimeFormat("en-GB", { ...options, timeZone: house.zone, hourCycle: "h23" }));
  return forms.get(key);
}
export const clock = (s) => form({ hour: "2-digit", minute: "2-digit" }).format(s * 1000);
export const dayAndClock = (s) =>
  form({ weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }).format(s * 1000);
export const day = (s) => form({ day: "numeric", month: "short" }).format(s * 1000);
export const sayTimes = (ratio) => `${ratio.toFixed(1)} times`;
/** Hours as people say them: "7½ h", "45 min". */
export function sayLong(h) {
  if (h === null || h === undefined) return "–";
  if (h < 1) return `${Math.round(h * 60)} min`;
  const half = Math.round(h * 2) / 2;
  return `${Math.floor(half) || ""}${half % 1 ? "½" : ""} h`;
}
export const weekday = (s) => form({ weekday: "short", day: "numeric", month: "short" }).format(s * 1000);
/** The local day of a time, as "2026-11-28", and the hour. */
export function zoned(s) {
  const parts = Object.fromEntries(form({ year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit" }).formatToParts(s * 1000).map((part) => [part.type, part.value]));
  return { key: `${parts.year}-${parts.month}-${parts.day}`, hour: Number(parts.hour) };
}
export const monthOf = (year, month) => new Intl.DateTimeFormat("en-GB", { month: "long", year: "numeric", timeZone: "UTC" }).format(Date.UTC(year, month - 1, 1));
const longDay = (s) => form({ day: "numeric", month: "long" }).format(s * 1000);
/** The time of a cycle as shown in a title: "night of 27 to 28 November", "28 November". */
export function stretch(from_s, to_s) {
  const from = longDay(from_s), to = longDay(to_s), night = zoned(from_s).hour >= 16 || zoned(from_s).hour < 4;
  if (from === to) return night ? `night of ${from}` : from;
  const [day, month] = from.split(" ");
  return `${night ? "night of " : ""}${to.endsWith(month) ? day : from} to ${to}`;
}
