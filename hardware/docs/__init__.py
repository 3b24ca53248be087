"""Documents for the shed and the examples of both settings.

- `draw`: The sheets to print, drawn as SVG: `python -m hardware.docs.draw` writes them.
"""
