"""The parts of the window, each showing one value and sending what the inspector asks for."""
