"""The outline of a page, and what must hold of every page."""

import re
from html.parser import HTMLParser
from itertools import pairwise


class Outline(HTMLParser):
    """Elements that are open, headings in order, ids, and links."""

    VOID = frozenset(("meta", "br", "link", "img", "input", "hr"))

    def __init__(self):
        super().__init__()
        self.open, self.headings, self.ids, self.links, self.tags = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append((tag, attrs))
        if tag not in self.VOID:
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if "id" in attrs:
            self.ids.append(attrs["id"])
        if tag == "a":
            self.links.append(attrs["href"])

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def read_outline(page):
    """Return the outline of a page."""
    outline = Outline()
    outline.feed(page)
    outline.close()
    return outline


def assert_sound(outline):
    """Check that elements close, ids are single, links lead somewhere, headings step down one by one."""
    assert outline.open == []
    assert len(set(outline.ids)) == len(outline.ids)
    assert all(link[1:] in outline.ids for link in outline.links)
    assert outline.headings[0] == 1
    assert outline.headings.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(outline.headings))
    for tag, attrs in outline.tags:
        if attrs.get("role") in ("img", "group", "region"):
            assert attrs["aria-label"]
        if tag == "svg" and attrs.get("class") == "chart":
            assert attrs["role"] == "group"
        if tag == "th":
            assert attrs["scope"] in ("col", "row")
