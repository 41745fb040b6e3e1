// What all parts of the page share: elements, requests, words for numbers and times.
export const by = id => document.getElementById(id);

export function make(name, words, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(words || {})) if (value !== null && value !== undefined) element.setAttribute(key, value);
  element.append(...inside.filter(part => part !== null && part !== undefined));
  return element;
}

// Makes the children of a place like the wanted ones and touches only what differs: a button under a finger
// or with the focus stays the same button.
export function settle(place, wanted) {
  const name = (child, i) => child.dataset.key || child.dataset.act || child.dataset.part || child.tagName + i;
  const names = new Set(wanted.map(name)), had = new Map();
  [...place.children].forEach((child, i) => names.has(name(child, i)) ? had.set(name(child, i), child) : child.remove());
  wanted.forEach((fresh, i) => {
    const old = had.get(name(fresh, i)), child = old ? become(old, fresh) : fresh;
    if (place.children[i] !== child) place.insertBefore(child, place.children[i] || null);
  });
}
function become(old, fresh) {
  if (old.isEqualNode(fresh)) return old;
  for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  for (const { name, value } of fresh.attributes) old.setAttribute(name, value);
  if (fresh.children.length && fresh.children.length === fresh.childNodes.length) settle(old, [...fresh.children]);
  else old.replaceChildren(...fresh.childNodes);
  return old;
}
// The same for a list with buttons: should the one with the focus go, its neighbour gets it.
export function settleKeepingFocus(place, wanted, otherwise) {
  const focus = document.activeElement, card = place.contains(focus) ? focus.closest("[data-key]") : null, act = focus.dataset.act;
  settle(place, wanted);
  if (!card || place.contains(document.activeElement) || document.querySelector("dialog[open]")) return;
  const still = place.querySelector(`[data-key="${card.dataset.key}"]`);
  const next = still && (still.querySelector(`[data-act="${act}"]`) || still.querySelector("button"));
  (next || otherwise).focus();
}

let token = sessionStorage.getItem("token") || "";
export const hasToken = () => token !== "";
export function keepToken(text) { token = text.trim(); sessionStorage.setItem("token", token); }
export class Refused extends Error { constructor(status, text) { super(text); this.status = status; } }
export async function ask(path, more) {
  const headers = { ...(more || {}).headers, ...(token ? { authorization: "Bearer " + token } : {}) };
  const answer = await fetch(path, { ...more, headers });
  if (answer.ok) return answer;
  throw new Refused(answer.status, (await answer.json().catch(() => ({}))).error || answer.statusText);
}
export const json = async path => (await ask(path)).json();

export function span(seconds) {
  if (seconds < 90) return Math.round(seconds) + " s";
  if (seconds < 5400) return Math.round(seconds / 60) + " min";
  return seconds < 172800 ? Number((seconds / 3600).toFixed(1)) + " h" : Number((seconds / 86400).toFixed(1)) + " d";
}
export const clock = text => text ? text.slice(0, 10) + " " + text.slice(11, 19) : "";
export const time = text => text ? text.slice(11, 19) : "";
export const number = (value, digits, unit) => value === null || value === undefined ? null : value.toFixed(digits) + (unit ? " " + unit : "");
// Text in which `this` is something to type.
export const prose = text => text.split("`").map((part, i) => i % 2 ? make("code", {}, part) : part);
