"""The one-line drawing on a Streamlit page: it fits desk, half a desk and phone, and hands back what was picked."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import streamlit as st

from oneline_legend import render_legend
from oneline_svg import render_oneline

if TYPE_CHECKING:
    from loopmend.workbench.views import OneLineView

WIDE, MIDDLE, NARROW = 10, 7, 5
"""Enclosures in a row on a desk screen, beside a map, and on a phone."""

_HTML = """
<div class="frame">
  <div class="wide"></div><div class="middle"></div><div class="narrow"></div>
  <details><summary>Signs</summary><div class="signs-wide"></div><div class="signs-narrow"></div></details>
</div>
"""

_CSS = """
.frame { container-type: inline-size; background: #ffffff; border-radius: 6px; padding: 4px; }
.middle, .narrow, .signs-narrow { display: none; }
@container (max-width: 1000px) { .wide { display: none; } .middle { display: block; } }
@container (max-width: 620px) {
  .middle, .signs-wide { display: none; } .narrow, .signs-narrow { display: block; }
}
.frame.single .narrow, .frame.single .signs-narrow { display: block; }
.frame.single .signs-wide { display: none; }
summary { cursor: pointer; padding: 10px 6px; font: 600 15px system-ui, sans-serif; color: #14181d; }
"""

_JS = """
export default function ({ parentElement, data, setTriggerValue }) {
  parentElement.querySelector(".frame").classList.toggle("single", !data.wide);
  for (const name of ["wide", "middle", "narrow", "signs-wide", "signs-narrow"]) {
    const box = parentElement.querySelector("." + name);
    if (box.drawn !== data[name]) {
      const held = parentElement.ownerDocument.activeElement;
      const root = parentElement.getRootNode();
      const focused = (root.activeElement || held)?.closest?.("[data-id]");
      const id = focused && box.contains(focused) ? focused.dataset.id : null;
      box.innerHTML = data[name];
      box.drawn = data[name];
      if (id !== null) {
        const again = [...box.querySelectorAll("[data-id]")].find((group) => group.dataset.id === id);
        if (again) again.focus({ preventScroll: true });
      }
    }
    const pick = (event) => {
      const group = event.target.closest("[data-id]");
      if (group) setTriggerValue("picked", group.dataset.id);
      return group;
    };
    box.onclick = pick;
    box.onkeydown = (event) => {
      if ((event.key === "Enter" || event.key === " ") && pick(event)) event.preventDefault();
    };
  }
}
"""

_component = st.components.v2.component("loopmend_oneline", html=_HTML, css=_CSS, js=_JS)


def _drawn_again() -> None:
    """Streamlit wants a callback for a trigger; the picked id is read from the result."""


def show_oneline(
    view: OneLineView, key: str, on_pick: Callable[[], None] = _drawn_again, *, phone_only: bool = False
) -> str | None:
    """Show the drawing and tell which span or enclosure was picked since the last run.

    Parameters
    ----------
    key
        Fixed for the page, so that the drawing changes in place.
    on_pick
        Called by Streamlit before the run that a pick causes.
    phone_only
        Send the narrow drawing alone: a third of the data, for the crew's pages. It stands on the page once: the
        hatching of a drawing that is hidden would take the place of its own.

    Returns
    -------
    str or None
        The id, for one run only: keep it in the session if the page needs it longer.
    """
    narrow = render_oneline(view, NARROW)
    data = {
        "wide": "" if phone_only else render_oneline(view, WIDE),
        "middle": "" if phone_only else render_oneline(view, MIDDLE),
        "narrow": narrow,
        "signs-wide": render_legend(3),
        "signs-narrow": render_legend(1),
    }
    result: Any = _component(key=key, data=data, on_picked_change=on_pick)
    picked = result.picked
    return None if picked is None else str(picked)
