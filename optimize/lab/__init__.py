"""The lab: prototype sheets, its process and its measurements."""
