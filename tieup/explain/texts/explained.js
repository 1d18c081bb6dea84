"use strict";
const field = document.getElementById("search");
const senses = [...document.querySelectorAll("dl > div")];
const count = document.getElementById("count");

function show() {
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  let shown = 0;
  for (const sense of senses) {
    const text = sense.textContent.toLowerCase();
    sense.hidden = !words.every((word) => text.includes(word));
    shown += sense.hidden ? 0 : 1;
  }
  count.textContent = `${shown} of ${senses.length}`;
}

field.addEventListener("input", show);
show();
