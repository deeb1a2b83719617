// Prose that names °C and kelvin, said in °F; the server does the same to what it renders.
const NUMBER = "(?<![\\w.,/])[-+−]?\\d+(?:\\.\\d+)?";
const HIGH = "(?:([ \\u00a0]to[ \\u00a0]|–)(\\d+(?:\\.\\d+)?))?";
const TEMPERATURE = new RegExp(`(±[ \\u00a0]?)?(${NUMBER})${HIGH}([ \\u00a0])°C(/(?:min|s)\\b)?`, "g");
const DIFFERENCE = new RegExp(`(${NUMBER})${HIGH}([ \\u00a0])K(/(?:min|s)\\b)?(?![\\w²³(/·-])`, "g");
const WHOLE_FROM = 20;

export function inFahrenheit(text: string): string {
  return text
    .replace(TEMPERATURE, (_, off = "", low, to = "", high = "", gap, per = "") => {
      const offset = off || per ? 0 : 32;
      return `${off}${one(low, offset)}${to}${high && one(high, offset)}${gap}°F${per}`;
    })
    .replace(DIFFERENCE, (_, low, to = "", high = "", gap, per = "") => `${one(low, 0)}${to}${high && one(high, 0)}${gap}°F${per}`);
}

function one(text: string, offset: number): string {
  const value = Number(text.replace("−", "-")) * 1.8 + offset;
  let decimals = text.split(".")[1]?.length ?? 0;
  if (!decimals && (offset || Math.abs(value) < WHOLE_FROM) && Math.abs(value - Math.round(value)) > 1e-9) decimals = 1;
  const said = (text.startsWith("+") && value >= 0 ? "+" : "") + value.toFixed(decimals);
  return text.includes("−") ? said.replace("-", "−") : said;
}
