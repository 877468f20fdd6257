"""Why an instrument does not answer, and what to do next."""
