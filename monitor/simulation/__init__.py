"""The skids we demonstrate and test with: physics, operators, transmitters, labelled recordings."""
