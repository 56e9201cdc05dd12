"""A local page on which sliders change a ball, and its figures follow.

`sliders`, `settings` and `build` turn sliders into balls; `training` and `prediction` emulate
figures, `queue` and `worker` compute them; `app`, `guard`, `connections` and `serve` answer the
page, whose files are in `static/` and `optimize/web/`.
"""
