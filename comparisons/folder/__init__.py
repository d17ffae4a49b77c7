"""The study folder: reading, checking, import, export, the public form and the digests."""
