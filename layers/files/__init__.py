"""Reading files: text, CSV and TOML, each fault said in one sentence."""
