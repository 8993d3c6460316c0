"""The look: one style sheet, in the colours of whichever theme is on.

Shades are mixed from the text's own colour, so light and dark need no second set.
Nothing is told by colour alone: bars carry their figure, states their word and sign.

A part that can be opened is open at once. Streamlit lets its height grow for half a second,
and what lies in it or below moves from under a finger meanwhile: a press is none then.
"""

from __future__ import annotations

SHEET = """<style>
:root { --line: color-mix(in srgb, currentColor 22%, transparent);
  --wash: color-mix(in srgb, currentColor 7%, transparent);
  --soft: color-mix(in srgb, currentColor 72%, transparent); }
[data-testid="stHeader"] { background: transparent; height: 0; }
[data-testid="stMainBlockContainer"] { padding: 1rem 1.2rem 7rem; max-width: 76rem; }
[data-testid="stMain"] button, [data-testid="stMain"] label { touch-action: manipulation; }
[data-testid="stMain"] .stButton button, [data-testid="stMain"] .stDownloadButton button
  { min-height: 3rem; }
[data-testid="stExpander"] details { height: auto !important; overflow: visible !important; }
[data-testid="stExpanderDetails"][inert] { display: none; }
[data-testid="stFileUploaderDropzoneInstructions"] span { white-space: normal; }
[data-testid="stFileUploaderDropzone"] button { min-height: 3rem; font-weight: 600; }
[data-testid="stRadio"] label { min-height: 2.5rem; align-items: center; }
[class*="st-key-row-"] { flex-wrap: nowrap; gap: .6rem; }
[class*="st-key-row-"] > * { min-width: 0 !important; }
.st-key-places { border-bottom: 1px solid var(--line); padding-bottom: .4rem; gap: .3rem; }
.st-key-places a { min-height: 2.9rem; border-radius: .7rem; padding: .3rem .9rem; }
.st-key-places a[aria-current="page"], .st-key-places a[data-active="true"]
  { box-shadow: inset 0 -3px 0 currentColor; }
@media (max-width: 640px) {
  .st-key-places { position: fixed; left: 0; right: 0; bottom: 0; z-index: 90; border-bottom: 0;
    border-top: 1px solid var(--line);
    padding: .25rem .2rem calc(.25rem + env(safe-area-inset-bottom));
    display: grid !important; grid-auto-flow: column; grid-auto-columns: 1fr;
    background: #F7F5F0; }
  .st-key-places > div { width: auto !important; min-width: 0 !important; }
  .st-key-places a { flex-direction: column; padding: .25rem .1rem; gap: .1rem;
    justify-content: center; }
  .st-key-places a p { font-size: .72rem; line-height: 1.15; text-align: center;
    white-space: normal; overflow: visible; }
  [data-testid="stMainBlockContainer"] { padding: .8rem .9rem 8rem; }
}
[data-testid="stMain"] [data-testid="stBaseButton-tertiary"] { text-decoration: underline;
  text-decoration-color: var(--soft); text-underline-offset: .2em; }
@media (min-width: 641px) { .narrow { display: none; } }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
.cu { line-height: 1.45; }
.cu h2 { font-size: 2.1rem; line-height: 1.15; margin: 0 0 .1rem; padding: 0; }
.cu h3 { font-size: 1.05rem; margin: 1.3rem 0 .3rem; padding: 0; }
.cu p { margin: .2rem 0; }
.cu ul { margin: .2rem 0; padding-left: 1.2rem; }
.cu li { margin: .35rem 0; }
.cu .soft { color: var(--soft); }
.cu .step { margin: .3rem 0 .5rem; }
.cu .step i { display: inline-block; width: .8rem; height: .8rem; margin-right: .55rem;
  border: 2px solid currentColor; transform: rotate(45deg); }
.cu .step i.on { background: currentColor; }
.cu .bar { height: .8rem; border-radius: .4rem; background: var(--wash);
  border: 1px solid var(--line); overflow: hidden; margin: .35rem 0 .1rem; }
.cu .bar > i { display: block; height: 100%; background: #2F587F; }
.cu .ask { border: 2px solid currentColor; border-radius: .7rem; padding: .7rem .9rem;
  margin: .8rem 0; }
.cu .note { border-left: .3rem solid var(--line); padding: .2rem 0 .2rem .8rem; margin: .6rem 0; }
.cu table { border-collapse: collapse; width: 100%; }
.cu td, .cu th { padding: .3rem .5rem .3rem 0; text-align: left; vertical-align: middle;
  border: 0; font-weight: inherit; }
.cu th { font-weight: 600; }
.cu td.figure { text-align: right; white-space: nowrap; width: 4.2rem; padding-right: .6rem; }
.cu td.wide { width: 45%; }
.cu.counts table { width: auto; }
.cu.counts tr > :nth-child(n+2) { text-align: right; padding-left: .6rem; }
.cu td .bar { margin: 0; }
@media (prefers-color-scheme: dark) and (max-width: 640px) {
  .st-key-places { background: #1B1C20; } }
@media (prefers-color-scheme: dark) {
  [data-testid="stMain"] [data-testid^="stBaseButton-primary"]:not(:disabled),
  [data-testid="stMultiSelect"] [data-tag], [data-testid="stMultiSelect"] [data-tag] *
    { color: #14202C; } }
@media (prefers-color-scheme: dark) { .cu .bar > i { background: #8DB6DC; } }
</style>"""
