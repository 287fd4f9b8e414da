"""Show: tables of readings, tanks and flows as a person or a program reads them. Text out, nothing printed here."""
