"""The live bench: a local page on which a build's numbers move and its figures follow."""
