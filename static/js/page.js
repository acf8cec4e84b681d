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

// Lists that narrow as a choice is made send themselves.
for (const select of document.querySelectorAll("form[data-sends-itself] select")) {
  select.addEventListener("change", () => select.form.requestSubmit());
}

// A page made for paper prints at a press.
for (const button of document.querySelectorAll("button[data-prints]")) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}
