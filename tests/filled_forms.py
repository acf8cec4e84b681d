"""What a browser sends back of a page's form: every field as it stands in the HTML, hidden ones too."""

from html.parser import HTMLParser


class _Form(HTMLParser):
    """The fields of the forms of class `entry`."""

    def __init__(self):
        super().__init__()
        self.fields, self.inside = {}, False
        self.select = self.textarea = None

    def handle_starttag(self, tag, attributes):
        values = dict(attributes)
        if tag == "form" and "entry" in (values.get("class") or ""):
            self.inside = True
        name = values.get("name")
        if not self.inside:
            return
        if tag == "input" and name:
            ticked = values.get("type") in ("checkbox", "radio")
            if not ticked or "checked" in values:
                self._add(name, values.get("value", "on" if ticked else ""))
        elif tag == "textarea" and name:
            self.textarea, self.text = name, ""
        elif tag == "select" and name:
            self.select, self.first = name, None
        elif tag == "option" and self.select:
            value = values.get("value", "")
            self.first = value if self.first is None else self.first
            if "selected" in values:
                self._add(self.select, value)

    def handle_data(self, data):
        if self.textarea:
            self.text += data

    def handle_endtag(self, tag):
        if tag == "textarea" and self.textarea:
            # A browser drops the newline that follows the opening tag, and ends lines its own way.
            text = self.text.replace("\r\n", "\n").removeprefix("\n")
            self._add(self.textarea, text.replace("\n", "\r\n"))
            self.textarea = None
        elif tag == "select" and self.select:
            if self.select not in self.fields and self.first is not None:
                self._add(self.select, self.first)
            self.select = None
        elif tag == "form":
            self.inside = False

    def _add(self, name, value):
        self.fields.setdefault(name, []).append(value)


def fields_of(answer):
    """The fields of the form in an answer, as a browser would send them back untouched."""
    form = _Form()
    form.feed(answer.content.decode())
    return {name: values if len(values) > 1 else values[0] for name, values in form.fields.items()}


def opened(client, path):
    """Open a page with a form; what a browser would send back untouched."""
    answer = client.get(path)
    assert answer.status_code == 200, answer.status_code
    return fields_of(answer)
