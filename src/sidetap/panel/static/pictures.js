// Our own small pictures, in millimetres: a vessel with its filling and marks, a valve as a gate in a pipe, and the
// heartbeat. Each state has a shape of its own, so that grey paper tells them apart.

import { makeSvg, set } from "./dom.js";
import { say } from "./words.js";

const TOP = 1.5;
const HEIGHT = 31;
const LEFT = 11;
const WIDTH = 17;

/** A vessel: draw(vessel, known) changes it. */
export function makeTank() {
  const filling = makeSvg("rect", { class: "filling", x: LEFT, width: WIDTH });
  const unknown = makeSvg("rect", { class: "unknown", x: LEFT, y: TOP, width: WIDTH, height: HEIGHT, fill: "url(#hatch)" });
  const shell = makeSvg("rect", { class: "shell", x: LEFT, y: TOP, width: WIDTH, height: HEIGHT, rx: 1 });
  const marks = ["high", "low", "trip"].map((name) => [name, makeSvg("path", { class: `mark ${name}` }), makeSvg("text", {}, say(`mark-${name}`))]);
  const picture = makeSvg("svg", { class: "tank", viewBox: "0 0 40 34", role: "img" }, filling, unknown, shell, ...marks.flatMap((m) => m.slice(1)));

  const draw = (vessel, known) => {
    const level = known && vessel.share !== null ? vessel.share : null;
    unknown.toggleAttribute("hidden", level !== null);
    filling.toggleAttribute("hidden", level === null);
    if (level !== null) {
      set(filling, "y", y(level));
      set(filling, "height", TOP + HEIGHT - y(level));
    }
    for (const [name, path, text] of marks) {
      const at = y(vessel[`${name}_share`]);
      const onLeft = name === "trip"; // trip and low lie close together: one label on each side
      const end = onLeft ? LEFT : LEFT + WIDTH;
      const out = onLeft ? -1 : 1;
      const across = onLeft ? `M${LEFT} ${at}H${LEFT + WIDTH}` : `M${end} ${at}h${-WIDTH / 3}`;
      set(path, "d", `${across}M${end} ${at}l${2 * out} -1.2v2.4z`);
      set(text, "x", end + 2.8 * out);
      set(text, "y", Math.min(Math.max(at + 1.4, 3.6), 33.4));
      set(text, "text-anchor", onLeft ? "end" : "start");
    }
    const percent = level === null ? null : Math.round(level * 100);
    const label = percent === null ? say("vessel-picture-unknown", { vessel: vessel.tag }) : say("vessel-picture", { vessel: vessel.tag, percent, top: vessel.top_text });
    set(picture, "aria-label", label);
  };
  return { picture, draw };
}

function y(share) {
  return TOP + HEIGHT * (1 - Math.min(Math.max(share, 0), 1));
}

/** A gate in a pipe; its class says the state: closed, opening, open, closing, contradiction, unknown. */
export function makeGate() {
  return makeSvg(
    "svg",
    { class: "gate", viewBox: "0 0 30 14", "aria-hidden": "true" },
    makeSvg("rect", { class: "before", x: 0, y: 4.5, width: 13, height: 7 }),
    makeSvg("rect", { class: "after", x: 13, y: 4.5, width: 17, height: 7 }),
    makeSvg("path", { class: "flow", d: "M18 5.5l3 2.5l-3 2.5M23 5.5l3 2.5l-3 2.5" }),
    makeSvg("path", { class: "pipe", d: "M0 4.5H30M0 11.5H30" }),
    makeSvg("rect", { class: "plate down", x: 12, y: 3, width: 4, height: 10 }),
    makeSvg("rect", { class: "plate half", x: 12, y: 0.5, width: 4, height: 7.5 }),
    makeSvg("rect", { class: "plate up", x: 12, y: 0.2, width: 4, height: 3.6 }),
    makeSvg("path", { class: "rising", d: "M20 10V1.5M17.5 4l2.5 -2.7l2.5 2.7" }),
    makeSvg("path", { class: "falling", d: "M20 1V9.5M17.5 7l2.5 2.7l2.5 -2.7" }),
    makeSvg("text", { class: "question", x: 14, y: 11.5, "text-anchor": "middle" }, "?"),
  );
}

/** The hatching that all vessels share, and nothing to see by itself. */
export function makeHatch() {
  const pattern = makeSvg("pattern", { id: "hatch", width: 3, height: 3, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  pattern.append(makeSvg("rect", { class: "hatch-line", width: 1.2, height: 3 }));
  return makeSvg("svg", { class: "definitions", "aria-hidden": "true" }, makeSvg("defs", {}, pattern));
}

/** Move the heartbeat: one step at each call, so that it stands still when the page's own code does. */
export function beat(heartbeat, step) {
  const there = step % 18;
  heartbeat.querySelector("circle").setAttribute("cx", 3 + 34 * (there < 9 ? there / 9 : 2 - there / 9));
}
