"""The desk: two local web pages, `mark` (where the displays are) and `review` (the doubtful readings, the night).

Flask lives only here. Pages are rendered on this machine from `data/desk/templates`; what moves on them are small plain
JavaScript modules in `data/desk/static`. Nothing is fetched from anywhere else, ever.

How a page is built, for whoever adds one:

- `app.make_desk(door)` gives a Flask app behind its `Door`; a page is a module with `def make_X(...) -> Flask` that calls it and
  adds its routes. Nothing is global: what a page knows lives in an object that its routes close over, with a lock where
  requests may meet (the server is threaded).
- The door (`door.py`) stands before every route, static files included: Host header, token (in the address the first time, then a
  cookie), and for everything but GET the Origin and the header `X-Desk-Key`. Routes need no checks of their own.
- No path ever comes out of a request. Photos are asked for by their number in the night (`<int:number>`), displays by their
  key looked up in what is known.
- Errors of `errors.py` raised in a route become status 400 and `{"fault": sentence}`; `abort(404, "sentence")` the same with 404.
- Templates extend `base.html` (blocks `title`, `heading`, `tools`, `head`, `main`); everything is escaped, missing names are
  errors. No inline script, no inline style, no `on...=` attributes: the Content-Security-Policy forbids them. Data for scripts is
  fetched as JSON, or stands in `data-` attributes. A page's own script is `<script type="module">` in block `head`. Positions set
  from scripts through `element.style` are allowed.
- Scripts import from `desk.js`: `get(path)`, `send(method, path, body)` (adds the key; both give JSON or throw `Fault` with a
  sentence for people), `say(text)` (the live region: read out by screen readers, and shown as a short note),
  `make(tag, attributes, ...children)` (elements without any HTML text: file names are hostile), and from `keys.js`:
  `onKeys({...})`, `listKeys(dialog, rows)`.
- Colours, spacing and parts (`.panel`, `.row`, `.button`, `.primary`, `.field`, `.crop`, `.chip` with `.sure`, `.unsure`,
  `.none`) are in `desk.css`: dark and light by variables, contrast at WCAG AA, nothing told by colour alone, targets at least
  44 px where a finger may be.
- `photos.Photos(night)` gives pictures, thumbnails and pages' JPEGs by number; `pictures.data_url(pixels)` puts a crop into JSON.
- `hold.hold(path, what)` keeps a second desk off the same files. `server.serve(app, where, farewell)` prints the address as first
  line on stdout and serves until Ctrl-C, which is how a desk is put away: the command then ends with code 0.
"""
