"""Every evaluation on disk: append-only, content-hashed, merged, exported, checked."""
