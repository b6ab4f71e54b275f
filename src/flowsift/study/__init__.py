"""Questions asked of an answer: flush volumes, leaks, savings, budget."""
