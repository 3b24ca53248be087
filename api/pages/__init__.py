"""The pages: each answers a question at a glance, by one drawing, one bold word and one clause; each has a JSON twin.

How to add one. A module here has the routes and gathers what is shown as plain facts; `frame.page` renders them with a
template that extends `base.html`, and keeps the packed page until the next change or minute. A template fills the
blocks `title`, `style` (`{{ style("work") }}` takes `styles/work.css`; what all pages share is in `styles/frame.css`),
`scripts` and `main`. Drawings are made on the server: `api.slices` has the slice and its ruler, `api.plots` whatever
stretches (strokes in per cent, words as HTML over them). The page is one address and one request; `static/live.js` asks
for that address again when there is news and changes what differs in place. So a list whose rows come and go gives each
an `id`, a form that is written in is left alone, and what a script of the page has changed bears `data-keep`.

`parts` has what several pages show: the head, what is to be seen to (`alert.html` with its marks), a station in a few
words. A form is a plain one, posted to a route of `forms` that leads back to its page; a script may send the same as
JSON and stay. Facts for the head: `now`, `age` and `age_is_old`; `page` is the key of what `frame` marks in the
navigation; `said_below` has notices that the page says better itself.
Figures and dates are written as they are inside, with their unit behind them (`12 mm`, `9 °C`, `2 Jul`): `frame`
passes the page through the site's `LocalUnits`. A figure without its unit (a ruler, a cell, a field) is made by
`units`, which every template has.
Classes to build with: `v` a verdict, `act` one that asks for a hand (at most two on a page), `lead`, `quiet`, `press`
for what is pressed, `see` for a list of what is to be seen to, `plot`, `ns`, `hatch`, `scroll` round a wide table,
`unseen` for what only a reader's voice needs, `noprint`.
"""
