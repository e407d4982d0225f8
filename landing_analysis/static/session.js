// A session: fills lines into the plan.

const plan = document.getElementById("plan");
const field = (name) => document.getElementById(`add-${name}`);

function add(line) {
  plan.value = [plan.value.trim(), line].filter(Boolean).join("\n");
}

document.getElementById("add-line").addEventListener("click", () => {
  const exercise = field("exercise").selectedOptions[0];
  const seconds = exercise.dataset.counted === "seconds" ? "s" : "";
  const rest = field("rest").value.trim();
  add(`${exercise.value} ${field("sets").value.trim()}x${field("amount").value.trim()}${seconds}${rest ? ` rest ${rest}` : ""}`);
});
document.getElementById("last-plan")?.addEventListener("click", (event) => add(event.target.dataset.plan));
