"""Documents for the shed and the examples of both settings.

- `draw`: The sheets to print, drawn as SVG: `python -m hardware.docs.draw` writes them.
- `paper`: The paper that they are drawn on: an A4 page, its pens, hatches and lettering.
"""
