"""Before a campaign and after it: where to measure, what another firing or wall would do."""
