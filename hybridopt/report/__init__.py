"""Reports: one self-contained page, or a PDF, of results, a comparison and rule tables."""
