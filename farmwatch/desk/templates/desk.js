"use strict";
// Without this script everything works too; it only saves touches.
for (const form of document.querySelectorAll("form[method=post]")) {
  form.addEventListener("submit", () => {
    for (const button of form.querySelectorAll("button")) button.disabled = true;
  });
}
window.addEventListener("pageshow", () => {
  for (const button of document.querySelectorAll("button")) button.disabled = false;
});
const entry = document.getElementById("entry");
if (entry) {
  const touches = [...entry.querySelectorAll("input[name=failed]")];
  const every = document.getElementById("every");
  const lines = new Map([...entry.querySelectorAll("li[data-part]")].map((line) => [line.dataset.part, line]));
  const outcomes = [...entry.querySelectorAll("input[name=outcome]")];
  // a stopped plate stays stopped whatever failed on it
  let chosen = outcomes.some((outcome) => outcome.checked && outcome.value === "stopped");
  const follow = (byHand) => {
    const failed = touches.filter((touch) => touch.checked).length;
    for (const touch of touches) lines.get(touch.value)?.classList.toggle("quiet", !touch.checked);
    if (every) every.checked = touches.length > 0 && failed === touches.length;
    if (!byHand || chosen || !touches.length) return;
    const code = failed === 0 ? "good" : failed === touches.length ? "failed" : "partial";
    for (const outcome of outcomes) outcome.checked = outcome.value === code;
  };
  for (const touch of touches) touch.addEventListener("change", () => follow(true));
  for (const outcome of outcomes) outcome.addEventListener("change", () => { chosen = true; });
  every?.addEventListener("change", () => {
    for (const touch of touches) touch.checked = every.checked;
    follow(true);
  });
  follow(false);
}
