// The page: snapshots and this page's own clock in, drawing and asks out. It shows and asks; the station decides.
//
// Everything is drawn from two things: the newest snapshot, and whether it is of now (judge.js). Keys that open need
// both; Close needs nothing. The page says "alive" for its bay once a second, and only while it is live: a page that
// shows nothing of now must not keep a bay open.

import { makeState, makeTicket } from "./bay.js";
import { show, write } from "./dom.js";
import { Judge } from "./judge.js";
import { makeLanes } from "./lanes.js";
import { Link } from "./link.js";
import { beat, makeHatch } from "./pictures.js";
import { Sheet } from "./sheet.js";
import { minutes, say, timeOfDay } from "./words.js";

const TICK_MS = 100;
const ALIVE_MS = 1000;
const ANSWER_MS = 2000; // without an answer by then, say so
const ANSWER_SHOWN_MS = 10000;
const REDIAL_MS = 5000; // a connection that brings nothing for so long is given up for another

const bayTag = document.body.dataset.bay;
const { timeZone, stop } = document.body.dataset;
const at = (id) => document.getElementById(id);

const judge = new Judge();
const sheet = new Sheet(at("sheet"));
const state = makeState(at("state"));
let snapshot = null;
let arrivedAt = 0;
let lanes = null;
let laneKeys = "";
let live = null; // as last drawn
let notLiveSince = timeOfDay(new Date(), timeZone);
let waiting = null; // the press that has no answer yet: { ask, sentAt }
let answeredAt = 0;
let aliveAt = -Infinity;
let dialledAt = performance.now();
let beats = 0;

document.body.append(makeHatch());

const link = new Link({
  snapshot(document_) {
    arrivedAt = performance.now();
    judge.arrived(document_.seq, arrivedAt);
    snapshot = document_;
    const here = new Set(bay()?.valves.map((v) => v.vessel));
    snapshot.vessels = snapshot.vessels.filter((v) => here.has(v.tag)); // a bay shows what it can draw from
    const own = bay()?.texts ?? {}; // in this screen's units, where they are not the site's
    for (const vessel of snapshot.vessels) Object.assign(vessel, own[vessel.tag], { snapshot_local: snapshot.local });
    redraw();
  },
  reply(reply) {
    if (reply.ask === "alive" || reply.ask !== waiting?.ask) return;
    waiting = null;
    if (!reply.ok && reply.ask === "close") answer(say("answer-close-failed", { stop }));
    else if (!reply.ok) answer(say("answer-refused", { text: reply.text }));
    else answer(reply.ask === "close" ? say("answer-close-sent") : "");
    redraw();
  },
  down() {
    judge.lost();
    dialledAt = performance.now();
    redraw();
  },
});

// -- asks --------------------------------------------------------------------------------------------------------

function bay() {
  return snapshot?.bays.find((b) => b.tag === bayTag) ?? null;
}

/** Send an ask that a person made, once; a press while another waits for its answer is no press. */
function press(message) {
  if (waiting !== null || !judge.live(performance.now())) return;
  if (link.ask(message)) waiting = { ask: message.ask, sentAt: performance.now() };
  else answer(say("answer-not-sent"));
  redraw();
}

function pressClose() {
  if (link.ask({ ask: "close" })) waiting = { ask: "close", sentAt: performance.now() };
  else answer(say("answer-close-failed", { stop }));
  redraw();
}

function answer(text) {
  state.answer(text);
  answeredAt = performance.now();
}

/** Ask for a person who does one of these: each the name of an ask, and its key's words where they need values. */
const askWho = (title, asks, more = {}) =>
  sheet.askWho(title, snapshot.people, [], asks.map(([ask, values]) => [say(`key-${ask}`, values), (person) => press({ ask, person, ...more })]));

/** What may become of a vessel's low trip: it is reset, or two people set it aside for a time. */
function tripAsks(vessel) {
  const asks = [["reset-trip"]];
  if (vessel.bypass !== null) asks.push([vessel.bypass.runs ? "end-bypass" : "approve-bypass"]);
  else if (vessel.bypass_ms !== null) asks.push(["bypass", { time: minutes(vessel.bypass_ms, "down") }]);
  return asks;
}

const acts = {
  open: (valve) => press({ ask: "open", valve, seq: judge.seq }),
  choose: (valve) => press({ ask: "choose", valve }),
  resetTrip: (vessel) => askWho(say("sheet-reset-trip", { vessel }), tripAsks(snapshot.vessels.find((v) => v.tag === vessel)), { vessel }),
  levelChecked: (vessel) => askWho(say("sheet-level-checked", { vessel }), [["level-checked"]], { vessel }),
  why: (valve) => sheet.list(
    say("why-not", { valve }),
    () => live ? bay().valves.find((v) => v.tag === valve).blocks.map((b) => say("why-and-remedy", b)) : [say("not-live", { time: notLiveSince })],
    say("why-none"),
  ),
  endTicket: () => askWho(say("sheet-end-ticket", bay().ticket), [["end-ticket"]]),
  resume: () => askWho(say("sheet-resume", bay().ticket), [["resume"]]),
  resetLockout: () => askWho(say("sheet-reset-lockout", { bay: bayTag }), [["reset-lockout"]]),
  openTicket: () => {
    sheet.askWho(say("sheet-ticket", { bay: bayTag }), snapshot.people, snapshot.vessels, [
      [say("key-ticket"), (person, chosen) => press({ ask: "ticket", person, vessels: chosen })],
    ]);
  },
};
const drawTicket = makeTicket(at("ticket"), acts);

at("alarm-list").addEventListener("click", () => {
  const told = (a) => `${say(`priority-${a.priority}`)}: ${a.text}, ${say("alarm-since", { time: a.since_local })}`;
  sheet.list(say("alarm-list"), () => live ? snapshot.alarms.map(told) : [say("not-live", { time: notLiveSince })], say("no-alarm"));
});

// Close acts on the touch itself, not on the lifting; the keyboard's and a helper's click has no pointer before it
at("close").addEventListener("pointerdown", pressClose);
at("close").addEventListener("click", (event) => { if (event.detail === 0) pressClose(); });
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && !event.repeat) pressClose();
  else if (event.repeat && (event.key === "Enter" || event.key === " ")) event.preventDefault(); // held is one press
}, true);

// -- drawing -----------------------------------------------------------------------------------------------------

/** Draw; a snapshot that can't be drawn is no live one. */
function redraw() {
  try {
    draw();
  } catch (problem) {
    judge.lost();
    document.body.classList.add("not-live");
    console.error(problem);
  }
}

function draw() {
  const now = performance.now();
  const isLive = judge.live(now) && bay() !== null;
  if (live && !isLive) notLiveSince = snapshot.local;
  live = isLive;
  document.body.classList.toggle("not-live", !live);
  drawHead();
  if (bay() === null) return;
  const keys = JSON.stringify([snapshot.vessels.map((v) => v.tag), bay().valves.map((v) => v.tag)]);
  if (keys !== laneKeys) {
    laneKeys = keys;
    lanes = makeLanes(snapshot.vessels, bay().valves, acts);
    at("lanes").replaceChildren(...lanes.elements);
  }
  const ready = live && waiting === null;
  lanes.draw(snapshot, bay(), now - arrivedAt, live, ready);
  drawTicket(bay(), snapshot.alarms, live, ready);
  state.draw(bay(), live);
  sheet.allow(ready);
}

function drawHead() {
  const worst = live ? (snapshot.alarms[0] ?? null) : null;
  const others = live ? Math.max(0, snapshot.alarms.length - 1) : 0;
  at("headline").dataset.priority = live ? (worst?.priority ?? "none") : "not-live";
  if (live) {
    write(at("headline-mark"), worst ? say(`priority-${worst.priority}`) : "");
    write(at("headline-words"), snapshot.headline ?? say("no-alarm"));
  } else {
    write(at("headline-mark"), say("not-live", { time: notLiveSince }));
    write(at("headline-words"), say("not-live-advice", { stop }));
  }
  show(at("alarm-list"), others > 0);
  write(at("close-note"), live ? `${say("key-close-what", { bay: bayTag })} · ${say("key-close-esc")}` : say("close-not-live", { stop }));
  write(at("alarm-list"), say("more-alarms", { n: others }));
  write(at("clock"), live ? snapshot.local : say("dash"));
  at("clock").classList.toggle("hatched", !live);
  show(at("simulated"), snapshot?.simulated ?? false);
  drawOverride(snapshot?.override ?? null);
  write(at("scheme"), snapshot ? say("scheme", { hash: snapshot.scheme_hash.slice(0, 12) }) : "");
}

/** Say that somebody runs this scheme unverified: live or not, as long as nothing newer says otherwise. */
function drawOverride(override) {
  show(at("unverified"), override !== null);
  if (override === null) return;
  write(at("unverified"), say("unverified", { ...override, problems: override.problems.join("; ") }));
}

function tick() {
  const now = performance.now();
  beats += 1;
  if (beats % 3 === 0) beat(at("heartbeat"), beats / 3);
  if (waiting !== null && now - waiting.sentAt > ANSWER_MS) {
    answer(say(waiting.ask === "close" ? "answer-close-failed" : "answer-none", { stop }));
    waiting = null;
  }
  if (answeredAt !== 0 && now - answeredAt > ANSWER_SHOWN_MS) {
    answeredAt = 0;
    state.answer("");
  }
  redraw();
  if (live && now - aliveAt >= ALIVE_MS && link.ask({ ask: "alive" })) aliveAt = now;
  if (!live && now - Math.max(arrivedAt, dialledAt) > REDIAL_MS) {
    dialledAt = now;
    link.dial();
  }
}

redraw();
setInterval(tick, TICK_MS);
