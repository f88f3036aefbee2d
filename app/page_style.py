"""Style rules of every page: dark text on light paper, large places to touch, nothing that fades."""

from __future__ import annotations

import drawing_style as style

RULES = f"""<style>
.block-container {{padding: 4rem 1.2rem 2rem}}
[data-testid="stHeaderActionElements"] {{display: none}}
.st-key-at-work {{position: fixed; top: .5rem; right: 4.5rem; width: auto; z-index: 1000000}}
/* A screen that follows the record is redrawn often: nothing on it may go pale meanwhile. */
[data-stale="true"], [data-stale="true"] * {{opacity: 1 !important; transition: none !important}}
[data-testid="stExpander"] details, [data-testid="stExpander"] summary {{color: {style.INK} !important}}
[data-testid="stExpander"] summary * {{opacity: 1 !important}}
[data-testid="stCaptionContainer"] {{color: {style.DEAD}; opacity: 1}}
[data-testid="stCaptionContainer"] p {{color: {style.DEAD}}}
[data-testid="stMetricValue"] {{font-size: 1.7rem}}
[data-testid="stMetricLabel"] p {{color: {style.INK}}}
[data-testid="stRadio"] [data-testid="stCaptionContainer"] p {{font-size: .95rem}}
.stButton button, .stFormSubmitButton button, .stDownloadButton button {{min-height: 3rem; font-size: 1.05rem}}
.stButton button:disabled {{color: {style.DEAD}; border-color: {style.DEAD}}}
[data-testid="stButtonGroup"] button {{min-height: 3rem; font-size: 1rem}}
button:focus-visible, summary:focus-visible, input:focus-visible {{outline: 3px solid {style.NEXT} !important}}
[data-testid="stTable"] td, [data-testid="stTable"] th {{max-width: none; color: {style.INK}}}
.st-key-due {{border: 2px solid {style.NEXT}; border-left-width: 10px; background: {style.PAPER}}}
.st-key-due h4, .st-key-due h3 {{padding: 0}}
.st-key-cautions {{border: 2px solid {style.INK}; border-left: 10px solid {style.FAULT}}}
.st-key-cautions li {{font-size: 1.02rem}}
@media (max-width: 640px) {{
  .block-container {{padding: 4.4rem .8rem 1rem}}
  .stButton button, .stFormSubmitButton button {{min-height: 3.6rem; font-size: 1.15rem}}
  .stElementContainer:has(> [data-testid="stButtonGroup"]) {{width: 100% !important}}
  [data-testid="stButtonGroup"], [data-testid="stButtonGroup"] > div {{width: 100%}}
  [data-testid="stButtonGroup"] [role="radiogroup"] {{
    display: grid; grid-template-columns: 1fr 1fr; gap: .4rem; width: 100%; max-width: none
  }}
  [data-testid="stButtonGroup"] button {{min-height: 3.4rem; font-size: 1.1rem; border-radius: .5rem; margin: 0}}
  [data-testid="stButtonGroup"] button:not([aria-checked="true"]) {{box-shadow: inset 0 0 0 1px {style.DEAD}}}
  [data-testid="stExpander"] summary, .stPopover button, .stDownloadButton button {{min-height: 3rem}}
  [data-testid="stMetric"] {{padding: 0}}
  [data-testid="stColumn"]:has([data-testid="stMetric"]) {{min-width: calc(50% - 1rem); flex: 1 1 40%}}
}}
</style>"""
"""Streamlit's own names are used here; the browser tests notice when one of them changes."""
