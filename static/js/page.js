// Small conveniences of every page. Without this script every page still works.

// A phone's decimal keypad may have no minus key: the sign button turns the number's sign.
for (const button of document.querySelectorAll("button.sign")) {
  button.hidden = false;
  button.addEventListener("click", () => {
    const input = button.parentElement.querySelector("input");
    const text = input.value.trim();
    input.value = /^[-−]/.test(text) ? text.slice(1) : `-${text}`;
    input.focus();
  });
}

// Filter forms are submitted as soon as a choice is made.
for (const select of document.querySelectorAll("form[data-sends-itself] select")) {
  select.addEventListener("change", () => select.form.requestSubmit());
}

// Print buttons.
for (const button of document.querySelectorAll("button[data-prints]")) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}
