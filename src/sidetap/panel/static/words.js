// The table of words -> sentences. Every text a person reads here comes out of say() or from the station.

const language = document.documentElement.lang;
const table = await (await fetch(`/static/words.${language}.json`)).json();

/** Return the text of that name with {x} filled in from values. A missing name throws: it is ours to add. */
export function say(name, values = {}) {
  if (!(name in table)) throw new Error(`no word for ${name}`);
  return table[name].replace(/\{(\w+)\}/g, (_, key) => String(values[key]));
}

/** Return ms as m:ss; "down" for time left, "up" for time spent, so that neither flatters. */
export function minutes(ms, rounding) {
  const seconds = rounding === "down" ? Math.floor(ms / 1000) : Math.ceil(ms / 1000);
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

/** Return ms as seconds with one decimal, rounded up: an age is never shown younger than it is. */
export function seconds(ms) {
  return (Math.ceil(ms / 100) / 10).toFixed(1);
}

/** Return the time of day at the site for a Date of this browser. */
export function timeOfDay(date, timeZone) {
  return new Intl.DateTimeFormat("en-GB", { timeZone, hour: "2-digit", minute: "2-digit", second: "2-digit" }).format(date);
}
