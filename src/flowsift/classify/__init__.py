"""From uses to labels, fixtures and cycles: published ranges as the prior, the home's own repetition as the evidence."""
