"""The routes, one module per resource; each has `blueprint(bench)`, and its functions parse, call and answer."""
