// The maker's language. Reads the same message files as the daemon, by the same rules.
const own = { code: "en", messages: new Map(), offset: 0 };

export function parse(source) {
  const messages = new Map();
  let key = null;
  for (const line of source.split("\n")) {
    if (/^[ \t]/.test(line)) {
      if (key) messages.set(key, messages.get(key) + " " + line.trim());
    } else if (line.startsWith("#") || !line.trim()) {
      key = null;
    } else {
      const at = line.indexOf("=");
      if (at < 0) continue;
      key = line.slice(0, at).trim();
      messages.set(key, line.slice(at + 1).trim());
    }
  }
  return messages;
}

export const LANGUAGES = { en: "English", it: "Italiano", de: "Deutsch", fr: "Français" };

// The person's choice, else the browser's, else the dairy's.
export async function load(dairys) {
  const known = (some) => some.map((l) => (l || "").slice(0, 2).toLowerCase()).find((l) => LANGUAGES[l]);
  own.code = known([localStorage.getItem("language"), ...navigator.languages]) ?? known([await dairys(), "en"]);
  const answer = await fetch(`/words/${own.code}.ftl`);
  own.messages = parse(await answer.text());
  document.documentElement.lang = own.code;
}

export const code = () => own.code;
// French sets a space before its colon.
export const colon = () => (own.code === "fr" ? "\u00a0: " : ": ");
export const has = (key) => own.messages.has(key);
export const setOffset = (seconds) => { own.offset = seconds || 0; };

export function t(key, values) {
  const text = own.messages.get(key);
  if (text === undefined) return key;
  return text.replace(/\{\s*\$([a-z]+)\s*\}/g, (_, name) => values?.[name] ?? "…");
}

export function number(value, decimals = 1) {
  if (value === undefined || value === null) return "–";
  const text = (Number(value.toFixed(decimals)) || 0).toFixed(decimals).replace("-", "−"); // zero has no sign
  return own.code === "en" ? text : text.replace(".", ",");
}

// Time of day at the dairy, whatever this device's clock or zone believes.
export function clock(rfc3339) {
  if (!rfc3339) return "–";
  const d = new Date(Date.parse(rfc3339) + own.offset * 1000);
  return `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}`;
}

export function day(rfc3339, long) {
  if (!rfc3339) return "–";
  const d = new Date(Date.parse(rfc3339) + own.offset * 1000);
  const form = long ? { weekday: "short", day: "numeric", month: "long" } : { day: "numeric", month: "short", year: "numeric" };
  return new Intl.DateTimeFormat(own.code === "en" ? "en-GB" : own.code, { ...form, timeZone: "UTC" }).format(d);
}

const two = (n) => String(n).padStart(2, "0");

// A sentence from the daemon: key and typed values.
export function sentence(say) {
  if (!say) return "";
  const values = {};
  for (const [name, v] of Object.entries(say.values ?? {})) {
    if ("celsius" in v) values[name] = number(v.celsius);
    else if ("minutes" in v) values[name] = number(v.minutes, 0);
    else if ("clock" in v) values[name] = clock(v.clock);
    else if ("word" in v) values[name] = t(v.word);
  }
  return t(say.key, values);
}
