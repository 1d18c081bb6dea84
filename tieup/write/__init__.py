"""Write results: tables, summaries, exchange files; whole or not at all."""
