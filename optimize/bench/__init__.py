"""A page on this machine where sliders move a build."""
