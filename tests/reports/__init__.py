"""What is handed over: the report as HTML and PDF, the file that carries its evidence, and a unit's history."""
