"""From uses to labels, fixtures and cycles: published ranges as the prior, the home's repetition the evidence."""
