// The decimal sign that the person chose. Everything is worked out and stored with points; what is shown is turned at
// the end, as on the server's pages (buildlog/quantities/decimal_sign.py), and what is typed is read with either.

let chosen = ".";

export function chooseSign(sign) { chosen = sign ?? "."; }

// No version such as 5.0.0 and no name such as ride1.5 is turned.
export function inChosenSign(text) {
  return chosen === "," ? text.replace(/(^|[^\w.])(\d+)\.(\d+)(?!\w|\.\w)/g, "$1$2,$3") : text;
}
