// The test card of the day, ticked off.

import { button, el, feel, link, say } from "./elements.js";
import { cardsOf, tick } from "./outing.js";

export async function cardScreen(app, outing) {
  const cards = cardsOf(outing);
  const set = async (one, outcome) => {
    try {
      await tick(outing, one, outcome);
      feel();
      await app.render();
    } catch (error) {
      say(app.notSaved(error), { wrong: true });
    }
  };
  return [
    el("h1", {}, "Test card"),
    cards.map((card) => el("section", { class: "plan" },
      el("h2", {}, card.title),
      card.stops_the_day && el("p", { class: "caution" }, el("strong", {}, "Stops the day: "), card.stops_the_day),
      card.limits && el("p", {}, el("strong", {}, "Limits: "), card.limits),
      el("ol", {}, card.items.map((one) => {
        const outcome = outing.ticks[one.item.id] ?? one.item.outcome;
        return el("li", { class: outcome },
          el("p", {}, el("strong", {}, one.item.what), one.item.why && ` ${one.item.why}`),
          el("div", { class: "row" },
            button("Done", () => void set(one, outcome === "done" ? "open" : "done"), { "aria-pressed": String(outcome === "done"), "aria-label": `Done: ${one.item.what}` }),
            button("Skipped", () => void set(one, outcome === "skipped" ? "open" : "skipped"), { "aria-pressed": String(outcome === "skipped"), "aria-label": `Skipped: ${one.item.what}` })));
      })))),
    el("div", { class: "bottom" }, link("Board", "board")),
  ];
}
