"""Turn solutions into the tables of the contract, in the job's own units."""
