// Words by key in the language chosen. What a language lacks is said in English, what English lacks by its key.

let wordsLanguage = PAGE.language;

// Units come as the terms have them and are said in words; a value that is empty takes the space before it along.
function say(key, values = {}) {
  return wordOr(key, (PAGE.words.en || {})[key] || key).replace(/( ?)\{(\w+)\}/g, (whole, gap, name) => {
    if (!(name in values)) return whole;
    const text = name === "unit" || name === "other" ? unitWord(values[name]) : String(values[name]);
    return text === "" ? "" : gap + text;
  });
}

function wordOr(key, other) {
  return (PAGE.words[wordsLanguage] || {})[key] || other;
}

function termHeading(kind, name) {
  return wordOr(`term.${kind}.${name}`, (PAGE.terms[`${kind}.${name}`] || { heading: name }).heading);
}

function choiceWord(value) {
  return wordOr(`choice.${value}`, (PAGE.words.en || {})[`choice.${value}`] || value);
}

function unitWord(unit) {
  return wordOr(`unit.${unit}`, (PAGE.words.en || {})[`unit.${unit}`] || unit);
}

function setLanguage(code) {
  wordsLanguage = code;
  document.documentElement.lang = code;
}
