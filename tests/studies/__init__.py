"""The gauge and the agreement study against published worked examples, certified figures and second opinions."""
