"""The edge to the disk: books, set files, audio, pages; written whole or not at all."""
