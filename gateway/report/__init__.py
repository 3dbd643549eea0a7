"""Reports for people: what is told once, as a document, and how a page or a PDF shows it.

`dossier` puts one alarm into words, tables and drawings; `page` and `pdf` show any document, so
that both say the same. Refuses to fetch anything: a report is one file that needs no other.
"""
