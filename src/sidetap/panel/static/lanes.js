// One lane a vessel, left to right: how full, how much, then the bay's valve from it and the key that opens it.

import { enable, key, make, set, show, write, writeLevel, writeValue } from "./dom.js";
import { makeGate, makeTank } from "./pictures.js";
import { minutes, say, seconds } from "./words.js";

const REASONS_SHOWN = 2;

/** Return the lanes for the vessels of a snapshot and the valves of a bay. acts: open, choose, resetTrip, why. */
export function makeLanes(vessels, valves, acts) {
  const lanes = vessels.map((vessel) => makeLane(vessel, valves.filter((v) => v.vessel === vessel.tag), acts));
  return {
    elements: lanes.map((lane) => lane.element),
    /** Draw a snapshot; sinceMs: how long ago it arrived; live, ready: may keys that open be pressed at all. */
    draw(snapshot, bay, sinceMs, live, ready) {
      snapshot.vessels.forEach((vessel, i) => lanes[i].draw(vessel, bay, sinceMs, live, ready));
    },
  };
}

function makeLane(vessel, valves, acts) {
  const tank = makeTank();
  const level = make("p", { class: "level value" });
  const volume = make("span", { class: "volume value" });
  const quality = make("strong", { class: "quality" });
  const age = make("span", { class: "age value" });
  const note = make("span", { class: "note" });
  const was = make("span", { class: "was" });
  const reset = key(say("key-reset-trip"), () => acts.resetTrip(vessel.tag), { class: "reset", hidden: "" });
  const checked = key(say("key-level-checked"), () => acts.levelChecked(vessel.tag), { class: "checked", hidden: "" });
  const rows = valves.map((valve) => makeValve(valve, acts));
  const element = make(
    "article",
    { class: "lane", id: `lane-${vessel.tag}` },
    tank.picture,
    make(
      "div",
      { class: "reading" },
      make("h2", {}, make("span", { class: "tag" }, vessel.tag), ` ${vessel.name} `, make("span", { class: "product" }, vessel.product), make("span", { class: "health" }, quality, age)),
      level,
      make("p", { class: "foot" }, volume, was, note),
    ),
    make("div", { class: "valves" }, ...rows.map((row) => row.element), reset, checked),
  );

  const draw = (now, bay, sinceMs, live, ready) => {
    const known = live && now.level_text !== null;
    tank.draw(now, known);
    writeLevel(level, known ? now.level_text : say("dash"));
    level.classList.toggle("hatched", !known);
    writeValue(volume, now.volume_text, known && now.volume_text !== null, say("dash"));
    writeValue(age, ageText(now, sinceMs), live, say("dash"));
    show(quality, live);
    write(quality, say(`quality-${now.quality}`));
    quality.dataset.quality = now.quality;
    const was_ = live ? now.was : lastOf(now);
    show(was, !known && was_ !== null);
    if (was_) write(was, was_.local ? say("was", { level: was_.level_text, time: was_.local }) : "");
    const told = now.tripped ? [say("tripped")] : new Set([now.reason, now.watch_text].filter(Boolean));
    const more = [...(now.drawn ? [say("drawn")] : []), ...bypassTexts(now.bypass)];
    write(note, live ? [...more, ...told].join("; ") : "");
    element.classList.toggle("tripped", live && now.tripped && !now.bypass?.runs);
    const trip = now.tripped || now.drawn || now.bypass !== null;
    element.classList.toggle("trip-key", trip);
    show(reset, trip);
    write(reset, say(now.bypass === null ? "key-reset-trip" : "key-bypassed-trip"));
    enable(reset, ready);
    element.classList.toggle("frozen", live && now.frozen);
    show(checked, now.frozen);
    enable(checked, ready);
    for (const row of rows) row.draw(bay, live, ready);
  };
  return { element, draw };
}

function ageText(vessel, sinceMs) {
  return vessel.age_ms === null ? say("age-unknown") : say("age", { age: seconds(vessel.age_ms + sinceMs) });
}

/** Return what is to be told of a bypass of the low trip, nothing where there is none. */
function bypassTexts(bypass) {
  if (bypass === null) return [];
  return [say(bypass.runs ? "bypassed" : "bypass-asked", { ...bypass, time: minutes(bypass.left_ms, "down") })];
}

/** When not live, the level last shown becomes a "was", dated by the snapshot that showed it. */
function lastOf(vessel) {
  return vessel.level_text === null ? vessel.was : { level_text: vessel.level_text, local: vessel.snapshot_local };
}

/** Return the state of a valve as its command and its two switches tell it, never more than they do. */
export function valveState(valve) {
  if (valve.closed && valve.open) return "contradiction";
  if (valve.command) return valve.open ? "open" : "opening";
  return valve.closed ? "closed" : "closing";
}

function makeValve(valve, acts) {
  const gate = makeGate();
  const word = make("strong", { class: "word" });
  const time = make("span", { class: "may-stay" });
  const reasons = make("ul", { class: "reasons" });
  const more = key("", () => acts.why(valve.tag), { class: "more", hidden: "" }); // over all the words: room for a glove
  const moreCount = more.appendChild(make("span"));
  const choose = key("", () => acts.choose(valve.tag), { class: "key-choose", "aria-label": say("key-choose-label", { valve: valve.tag }) });
  const choice = make("span");
  choose.append(make("span", { class: "ring", "aria-hidden": "true" }), choice);
  const open = key(say("key-open", { valve: valve.tag }), () => acts.open(valve.tag), { class: "key-open" });
  const element = make(
    "section",
    { class: "valve", id: `valve-${valve.tag}` },
    make("div", { class: "valve-words" }, make("p", { class: "valve-state" }, gate, make("span", {}, make("span", { class: "tag" }, valve.tag), " ", word)), time, reasons, more),
    choose,
    open,
  );
  let shownReasons = null;

  const draw = (bay, live, ready) => {
    const now = bay.valves.find((v) => v.tag === valve.tag);
    const known = live && bay.hose !== null; // null: the wires of the bay are not heard
    const state = known ? valveState(now) : "unknown";
    set(gate, "class", `gate ${state}`);
    writeValue(word, say(`valve-${state}`), known, say("valve-unknown"));
    word.classList.add("value");
    const closed = live && !now.command;
    show(time, closed && now.on_ticket && now.may_open);
    write(time, say("may-stay-open", { time: minutes(now.left_ms, "down") }));
    const blocks = closed ? now.blocks : [];
    const key_ = JSON.stringify(blocks);
    if (key_ !== shownReasons) {
      shownReasons = key_;
      reasons.replaceChildren(...blocks.slice(0, REASONS_SHOWN).map((block) => make("li", {}, block.text)));
      show(more, blocks.length > REASONS_SHOWN);
      write(moreCount, say("more-reasons", { n: blocks.length - REASONS_SHOWN }));
    }
    const chosen = live && bay.choice === valve.tag;
    set(choose, "aria-pressed", chosen);
    write(choice, say(chosen ? "chosen" : "key-choose", { valve: valve.tag }));
    enable(choose, ready);
    enable(open, ready && now.may_open);
  };
  return { element, draw };
}
