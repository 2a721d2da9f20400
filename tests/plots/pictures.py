"""What stands in a picture, measured in the renderer: its words and whether any two of them touch."""

import itertools

import numpy as np
from matplotlib.axes import Axes

from doe.plots import look


def root_of(picture):
    return look.whole(picture)


def texts(picture):
    """Every text that is seen: titles, labels, ticks inside the view, legends, names and words."""
    root = root_of(picture)
    root.draw_without_rendering()
    found = list(root.texts)
    for name in ("_suptitle", "_supxlabel"):
        if getattr(root, name, None) is not None and getattr(root, name) not in found:
            found.append(getattr(root, name))
    for ax in root.axes:
        found += [ax.title, ax.xaxis.label, ax.yaxis.label, *ax.texts]
        if ax.get_legend() is not None:
            found += ax.get_legend().get_texts()
        for axis, (low, high) in ((ax.xaxis, sorted(ax.get_xlim())), (ax.yaxis, sorted(ax.get_ylim()))):
            room = 1e-9 * (high - low)
            for tick in axis.get_major_ticks():
                if low - room <= tick.get_loc() <= high + room:
                    found += [tick.label1, tick.label2]
    return [t for t in found if t.get_visible() and t.get_text().strip()]


def corners(text):
    """The four corners of a text in pixels, slanted as it stands."""
    if text.get_rotation_mode() == "anchor" and text.get_rotation() % 90:
        angle = text.get_rotation()
        middle = text.get_transform().transform(text.get_position())
        text.set_rotation(0)
        flat = text.get_window_extent()
        text.set_rotation(angle)
        half = 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [flat.width, flat.height]
        a = np.deg2rad(angle)
        return middle + half @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    box = text.get_window_extent()
    return np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])


def touch(one, other, slack=1.0):
    """Whether two convex quadrilaterals overlap by more than `slack` pixels (separating axes)."""
    for shape in (one, other):
        for i in range(4):
            side = shape[(i + 1) % 4] - shape[i]
            normal = np.array([-side[1], side[0]]) / np.linalg.norm(side)
            a, b = one @ normal, other @ normal
            if a.max() - slack <= b.min() or b.max() - slack <= a.min():
                return False
    return True


def overlaps(picture):
    """Pairs of texts that touch."""
    seen = [(t.get_text(), corners(t)) for t in texts(picture)]
    return [(a[0], b[0]) for a, b in itertools.combinations(seen, 2) if touch(a[1], b[1])]


def outside(picture):
    """Texts that leave the figure."""
    box = root_of(picture).bbox
    out = []
    for t in texts(picture):
        c = corners(t)
        if c.min() < -1 or (c > np.array([box.x1, box.y1]) + 1).any():
            out.append(t.get_text())
    return out


def said(picture):
    """All words of a picture as one text."""
    return "\n".join(t.get_text() for t in texts(picture))


def by_gid(picture, gid):
    """Artists by what they are."""
    return root_of(picture).findobj(lambda artist: artist.get_gid() == gid)


def axes_of(picture):
    return [picture] if isinstance(picture, Axes) else picture.axes
