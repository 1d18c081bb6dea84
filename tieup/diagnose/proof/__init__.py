"""What a finished solution proves: sds, guards against what is not noticed, disputes."""
