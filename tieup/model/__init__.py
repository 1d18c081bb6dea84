"""The nouns of the package: frozen, without behaviour beyond naming themselves."""
