// Numbers and names in words, as the pages write them.

// decimal writes a number with so many decimals and a real minus sign.
export function decimal(value, digits) {
  const text = Math.abs(value).toFixed(digits);
  return (value < 0 && Number(text) !== 0 ? "\u2212" : "") + text;
}

// signed is decimal with the plus sign shown.
export function signed(value, digits) {
  const text = decimal(value, digits);
  return value > 0 ? "+" + text : text;
}

// percent writes a share.
export function percent(share) {
  return decimal(100 * share, 1) + "\u00a0%";
}

// plain makes words of a code.
export function plain(code) {
  return code.replace(/^step:/, "").replaceAll("-", " ");
}

// sentence begins with a capital letter.
export function sentence(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

// day writes a date of the record, as the tables have it: in UTC.
export function day(time) {
  return new Date(time).toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric", timeZone: "UTC" });
}

// length writes a time in seconds.
export function length(seconds) {
  const whole = Math.round(seconds);
  const minutes = Math.floor(whole / 60);
  if (minutes === 0) return `${whole}\u00a0s`;
  return whole % 60 === 0 ? `${minutes}\u00a0min` : `${minutes}\u00a0min ${whole % 60}\u00a0s`;
}

// count writes a number with its noun.
export function count(n, one, more) {
  return `${n}\u00a0${n === 1 ? one : more}`;
}

// caseRange is the case numbers of a band; the last one is open.
export function caseRange(band) {
  return band.last_case == null ? `${band.first_case} on` : `${band.first_case} to ${band.last_case}`;
}
