// What slides over the keys of the lanes, never over a level or over Close: who asks, for which vessels, lists.

import { key, make, show } from "./dom.js";
import { say } from "./words.js";

export class Sheet {
  #section;
  #opener = null;
  #allowed = false;
  #judge = () => {}; // decides whether the key that does it may be pressed
  #follow = () => {}; // draws a list's sentences anew

  constructor(section) {
    this.#section = section;
  }

  /** Say whether an ask may be made now: live, and no other one waiting. */
  allow(yes) {
    this.#allowed = yes;
    this.#judge();
    this.#follow();
  }

  close() {
    this.#follow = () => {};
    show(this.#section, false);
    this.#section.replaceChildren();
    this.#opener?.focus();
    this.#opener = null;
  }

  /** Ask for a person, and for vessels when there are any to choose from. acts: what may follow, each a key's words and
      what is done(person, vessels) then. */
  askWho(title, people, vessels, acts) {
    this.#follow = () => {};
    let person = null;
    const chosen = new Set();
    const keys = acts.map(([words, done]) => key(words, () => { this.close(); done(person, [...chosen]); }, { class: "do" }));
    const ready = () => {
      const missing = !this.#allowed || person === null || (vessels.length > 0 && chosen.size === 0);
      for (const go of keys) go.disabled = missing;
    };
    this.#judge = ready;
    const names = people.map((p) => key(p.name, () => {
      person = p.name;
      names.forEach((n) => n.setAttribute("aria-pressed", String(n.dataset.person === person)));
      ready();
    }, { class: "pick", "aria-pressed": "false", "data-person": p.name }));
    people.forEach((p, i) => names[i].append(make("small", {}, p.role)));
    const picks = vessels.map((v) => {
      const pick = key(v.tag, () => {
        if (!chosen.delete(v.tag)) chosen.add(v.tag);
        pick.setAttribute("aria-pressed", String(chosen.has(v.tag)));
        ready();
      }, { class: "pick", "aria-pressed": "false", "data-vessel": v.tag });
      pick.append(make("small", {}, v.product));
      return pick;
    });
    ready();
    this.#show(title, [
      make("h3", {}, say("sheet-who")),
      make("div", { class: "picks" }, ...names),
      ...(vessels.length ? [make("h3", {}, say("sheet-vessels")), make("div", { class: "picks" }, ...picks)] : []),
    ], keys);
  }

  /** Show the sentences that the source gives now, and each time the page is drawn; none: the words for none. */
  list(title, source, none) {
    const all = make("ul", {});
    let drawn = null;
    this.#follow = () => {
      const sentences = source();
      const told = sentences.length ? sentences : [none];
      if (JSON.stringify(told) === drawn) return;
      drawn = JSON.stringify(told);
      all.replaceChildren(...told.map((text) => make("li", {}, text)));
    };
    this.#follow();
    this.#show(title, [all], []);
  }

  #show(title, contents, keys) {
    this.#opener = document.activeElement;
    const heading = make("h2", { tabindex: "-1" }, title);
    const back = key(say("key-back"), () => this.close(), { class: "back" });
    this.#section.replaceChildren(heading, make("div", { class: "contents" }, ...contents), make("div", { class: "keys" }, back, ...keys));
    show(this.#section, true);
    heading.focus();
  }
}
