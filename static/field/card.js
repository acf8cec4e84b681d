// The test card of the day, ticked off.

import { button, el, feel, link, say } from "./elements.js";
import { cardsOf, tick } from "./outing.js";

export async function cardScreen(app, outing) {
  const cards = cardsOf(outing);
  const set = async (card_item, outcome) => {
    try {
      await tick(outing, card_item, outcome);
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
      el("ol", {}, card.items.map((card_item) => {
        const outcome = outing.ticks[card_item.item.id] ?? card_item.item.outcome;
        return el("li", { class: outcome },
          el("p", {}, el("strong", {}, card_item.item.what), card_item.item.why && ` ${card_item.item.why}`),
          el("div", { class: "row" },
            button("Done", () => void set(card_item, outcome === "done" ? "open" : "done"), { "aria-pressed": String(outcome === "done"), "aria-label": `Done: ${card_item.item.what}` }),
            button("Skipped", () => void set(card_item, outcome === "skipped" ? "open" : "skipped"), { "aria-pressed": String(outcome === "skipped"), "aria-label": `Skipped: ${card_item.item.what}` })));
      })))),
    el("div", { class: "bottom" }, link("Board", "board")),
  ];
}
