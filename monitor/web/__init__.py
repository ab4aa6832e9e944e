"""The live page: reads the store, shows it in a browser, never writes."""
