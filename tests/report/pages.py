"""A page read back as a browser and a screen reader would."""

from html.parser import HTMLParser

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Elements of a page with their attributes and text, and what is wrong with its nesting."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.faults = [], [], []
        self.feed(html)
        self.close()
        self.faults += [f"{tag} stays open" for tag, _ in self.open]

    def handle_starttag(self, tag, attrs):
        entry = {"tag": tag, "text": "", **dict(attrs)}
        self.elements.append(entry)
        if tag in ("td", "th"):
            next(row for name, row in reversed(self.open) if name == "tr").setdefault("cells", []).append(entry)
        if tag not in VOID:
            self.open.append((tag, entry))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1][0] != tag:
            self.faults.append(f"{tag} closes {self.open[-1][0] if self.open else 'nothing'}")
        else:
            self.open.pop()

    def handle_data(self, data):
        for _, entry in self.open:
            entry["text"] += data

    def all(self, tag):
        return [e for e in self.elements if e["tag"] == tag]

    def rows(self):
        """Every row of every table, as the texts of its cells."""
        return [[cell["text"] for cell in row["cells"]] for row in self.all("tr")]

    def section(self, anchor):
        """The text of one chapter."""
        return next(e["text"] for e in self.all("section") if e["id"] == anchor)
