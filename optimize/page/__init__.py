"""A finished run as one HTML page, from which builds are chosen.

`data` gathers plain data from the run, a module for each section; `write` joins them with the
scripts in `templates/` and `optimize/web/` to one file that loads nothing.
"""
