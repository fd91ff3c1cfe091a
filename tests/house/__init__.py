"""The house's own rules: who may import whom, what is shipped, and what lies where."""
