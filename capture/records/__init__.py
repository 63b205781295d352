"""Records of jobs: made from the journal, kept in it, drawn as PDF, page and CSV, verified."""
