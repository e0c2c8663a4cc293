// The bottom of the page: the ticket, the state of the bay with the time left, and what came of the last press.

import { enable, key, make, show, write, writeValue } from "./dom.js";
import { minutes, say } from "./words.js";

/** Fill the ticket's section. acts: openTicket, endTicket, resume, resetLockout. */
export function makeTicket(section, acts) {
  const title = make("h2", { class: "value" });
  const who = make("p", { class: "value" });
  const account = make("p", { class: "value" });
  const interrupted = make("p", { class: "interrupted" }, say("ticket-interrupted"));
  const keys = {
    open: key(say("key-ticket"), acts.openTicket, { id: "key-ticket" }),
    resume: key(say("key-resume"), acts.resume, { id: "key-resume" }),
    end: key(say("key-end-ticket"), acts.endTicket, { id: "key-end-ticket" }),
    lockout: key(say("key-reset-lockout"), acts.resetLockout, { id: "key-reset-lockout" }),
  };
  section.append(title, who, interrupted, account, make("div", { class: "keys" }, ...Object.values(keys)));

  return (bay, alarms, live, ready) => {
    const ticket = live ? bay.ticket : null;
    writeValue(title, ticket ? say("ticket", ticket) : say("ticket-none"), live, say("ticket-unknown"));
    writeValue(who, ticket ? ticketWho(ticket) : say("ticket-none-advice"), live, say("dash"));
    show(account, ticket !== null);
    if (ticket) write(account, ticketAccount(ticket));
    show(interrupted, ticket?.interrupted ?? false);
    show(keys.open, bay.ticket === null);
    show(keys.end, bay.ticket !== null);
    show(keys.resume, bay.ticket?.interrupted ?? false);
    show(keys.lockout, bay.valves.some((v) => alarms.some((a) => a.tag === `${v.tag}-mismatch`)));
    for (const button of Object.values(keys)) enable(button, ready);
  };
}

function ticketWho(ticket) {
  return `${say("ticket-who", { person: ticket.person, time: ticket.opened_local })}, ${say("ticket-for", { vessels: ticket.vessels.join(", ") })}`;
}

function ticketAccount(ticket) {
  const left = ticket.openings_left === 1 ? say("ticket-left-one") : say("ticket-left", { n: ticket.openings_left });
  return `${say("ticket-account", { percent: Math.ceil(ticket.account_share * 100) })}, ${left}`;
}

/** Fill the state's section; answer(text) shows what came of a press. */
export function makeState(section) {
  const word = make("h2", { id: "bay-state", class: "value" });
  const time = make("span", { id: "time-left", class: "value" });
  const spent = make("span", { class: "spent" });
  const post = make("p", { class: "post value" });
  const last = make("p", { class: "last value" });
  const answer = make("p", { id: "answer", role: "status", "aria-live": "polite" });
  const clock = make("p", { class: "clock-line" }, time, make("span", { class: "beside" }, say("time-left"), spent));
  section.append(word, clock, post, last, answer);

  const draw = (bay, live) => {
    const moving = bay.valves.find((v) => v.command);
    const state = `bay-${bay.state}`;
    writeValue(word, say(state, { valve: moving?.tag ?? bay.tag }), live, say("bay-unknown"));
    const resting = live && !moving;
    section.classList.toggle("resting", resting);
    show(clock, !resting);
    writeValue(time, moving ? minutes(moving.left_ms, "down") : "", live, "–:––");
    write(spent, live && moving ? say("open-for", { time: minutes(moving.open_ms, "up") }) : "");
    const selector = bay.selector === "unknown" ? say("selector-unknown") : say("selector", { position: bay.selector });
    const hose = bay.hose === null ? say("hose-unknown") : say(bay.hose ? "hose-on" : "hose-off");
    writeValue(post, bay.state === "hand" ? say("hand-advice") : `${selector} · ${hose}`, live, say("dash"));
    const closing = bay.last_close ? say("last-close", { ...bay.last_close, time: bay.last_close.local }) : say("no-close");
    writeValue(last, closing, live, say("dash"));
    show(last, answer.textContent === "");
  };
  return {
    draw,
    answer(text) {
      write(answer, text);
      show(last, text === "");
    },
  };
}
