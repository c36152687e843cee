"""The local page: one part taken from drop to download in a browser, on this machine and nowhere else.

guard.py lets in only who knows the address; server.py answers; sessions.py keeps each page's files and its process;
work.py runs in that process, where everything that touches a file of the maker's is done.
"""
