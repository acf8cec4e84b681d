"""An invented season: machine, crew, lake and numbers are made up, and marked so."""
