"""Records into sentences: the only folder of the library with prose in it, each sentence once.

A function takes a record and the numerals of the reader and gives text; nothing reads text back.
"""
