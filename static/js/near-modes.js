// Offers names of failures that are near to what is typed, so that one thing keeps one name.

import { near } from "../field/mode_names.js";

for (const input of document.querySelectorAll("input[data-near]")) {
  const names = [...document.getElementById(input.dataset.near)?.options ?? []].map((option) => option.value);
  const offered = document.createElement("p");
  offered.className = "acts small";
  offered.setAttribute("role", "status");
  input.after(offered);
  const offer = () => {
    offered.replaceChildren(...near(input.value, names).map((name) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "act slight";
      button.textContent = `The same as “${name}”?`;
      button.addEventListener("click", () => {
        input.value = name;
        offered.replaceChildren();
        input.focus();
      });
      return button;
    }));
  };
  input.addEventListener("input", offer);
  offer();
}
