"""The manifest: TOML in, one frozen record out, every fault with file, line and item. See `schema.py` for the keys."""

from discprep.manifest.load import load_manifest, load_profile

__all__ = ["load_manifest", "load_profile"]
