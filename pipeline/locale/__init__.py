"""The catalogue of texts: `underturf.pot` has every English text, and `LANGUAGE.po` all of them in another language.

- `compile`: makes the compiled catalogues when the package is built or installed
"""
