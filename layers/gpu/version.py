"""The version of what runs on a card: a digest of its source and of what packs for it."""

from layers.files.sources import digest_of, sources_of
from layers.gpu.source import source_files

# Ledgers keep figures of another version apart.
GPU_VERSION = digest_of(
    sources_of("layers.gpu.card") | sources_of("layers.gpu.batch") | source_files()
)
