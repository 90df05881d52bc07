"""The joint estimate: unknowns of a campaign, their misfit to all traces, what follows from it."""
