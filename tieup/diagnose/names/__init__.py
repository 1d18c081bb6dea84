"""One name for two places, two names for one: told apart before anything is tested."""
