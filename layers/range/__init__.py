"""The indoor range: from tracks to coefficients, and a surface that knows its own error."""
