"""A small evaluator of spreadsheet formulas, written apart from the code that writes them.

It knows what the recording sheet uses: IF, OR, COUNT, COUNTIF, SUM, ROUND, N, INDEX, LN, EXP, the
comparisons = and <=, joining with &, the four operations, numbers, texts, cells and ranges, also of
another sheet.
"""

import math
import re

TOKEN = re.compile(
    r'\s*(?:(?P<text>"(?:[^"]|"")*")|(?P<number>\d+(?:\.\d*)?)'
    r"|(?P<ref>(?:[A-Za-z]+!)?\$?[A-Z]{1,3}\$?\d+(?::\$?[A-Z]{1,3}\$?\d+)?)"
    r"|(?P<name>[A-Z]+)(?=\()|(?P<sign><=|[-+*/=(),&]))"
)


class Evaluator:
    """Values of the cells of an openpyxl workbook, formulas computed."""

    def __init__(self, book):
        self.book, self.known = book, {}

    def value(self, sheet, address):
        """Value of one cell; an empty cell is the empty text."""
        if (sheet, address) not in self.known:
            self.known[sheet, address] = self.computed(sheet, address)
        return self.known[sheet, address]

    def computed(self, sheet, address):
        """The same, computed."""
        content = self.book[sheet][address].value
        if isinstance(content, str) and content.startswith("="):
            parser = Parser(self, sheet, content[1:])
            result = parser.comparison()
            assert parser.peek() is None, content
            return result
        return "" if content is None else content

    def range(self, sheet, reference):
        """Values of a range."""
        cells = self.book[sheet][reference]
        return [self.value(sheet, cell.coordinate) for row in cells for cell in row]


class Parser:
    """Recursive descent over one formula; arguments of IF are evaluated only where needed."""

    def __init__(self, evaluator, sheet, text):
        self.evaluator, self.sheet, self.tokens, place = evaluator, sheet, [], 0
        while place < len(text):
            match = TOKEN.match(text, place)
            assert match, f"cannot read {text[place:]!r}"
            self.tokens.append((match.lastgroup, match.group(match.lastgroup)))
            place = match.end()
        self.place = 0

    def peek(self):
        """Next token, None at the end."""
        return self.tokens[self.place] if self.place < len(self.tokens) else None

    def take(self, expected=None):
        """Next token, which is passed over."""
        token = self.tokens[self.place]
        assert expected in (None, token[1]), f"{expected} expected, {token} found"
        self.place += 1
        return token

    def comparison(self):
        """Value of a whole expression."""
        left = self.joined()
        if self.peek() == ("sign", "="):
            self.take()
            return left == self.joined()
        if self.peek() == ("sign", "<="):
            self.take()
            return left <= self.joined()
        return left

    def joined(self):
        """Value of texts joined by the sign for it."""
        value = self.sum()
        while self.peek() == ("sign", "&"):
            self.take()
            value = f"{value}{self.sum()}"
        return value

    def sum(self):
        """Value of terms joined by plus and minus."""
        value = self.product()
        while self.peek() in (("sign", "+"), ("sign", "-")):
            sign = self.take()[1]
            other = self.product()
            value = value + other if sign == "+" else value - other
        return value

    def product(self):
        """Value of factors joined by times and divided by."""
        value = self.atom()
        while self.peek() in (("sign", "*"), ("sign", "/")):
            sign = self.take()[1]
            other = self.atom()
            value = value * other if sign == "*" else value / other
        return value

    def atom(self):
        """Value of a number, text, cell, range, function or bracket."""
        kind, text = self.take()
        if kind == "number":
            return float(text)
        if kind == "text":
            return text[1:-1].replace('""', '"')
        if kind == "ref":
            sheet, _, address = text.rpartition("!")
            address, sheet = address.replace("$", ""), sheet or self.sheet
            if ":" in address:
                return self.evaluator.range(sheet, address)
            return self.evaluator.value(sheet, address)
        if kind == "name":
            return self.function(text)
        assert text == "(", text
        value = self.comparison()
        self.take(")")
        return value

    def function(self, name):
        """Value of a function call."""
        self.take("(")
        if name == "IF":
            condition = self.comparison()
            self.take(",")
            if condition:
                value = self.comparison()
                self.take(",")
                self.skip()
            else:
                self.skip()
                self.take(",")
                value = self.comparison()
            self.take(")")
            return value
        arguments = [self.comparison()]
        while self.peek() == ("sign", ","):
            self.take()
            arguments.append(self.comparison())
        self.take(")")
        if name == "OR":
            return any(arguments)
        if name == "ROUND":
            return round(arguments[0], int(arguments[1]))
        if name in ("N", "LN", "EXP"):
            value = arguments[0] if isinstance(arguments[0], int | float) else 0.0
            return {"N": lambda x: x, "LN": math.log, "EXP": math.exp}[name](value)
        if name == "INDEX":
            return arguments[0][int(arguments[1]) - 1]
        if name == "COUNTIF":
            least = float(arguments[1].removeprefix(">="))
            return float(sum(each >= least for each in arguments[0] if not isinstance(each, str)))
        numbers = [each for each in arguments[0] if isinstance(each, int | float)]
        return {"COUNT": float(len(numbers)), "SUM": float(sum(numbers))}[name]

    def skip(self):
        """Pass over one argument without evaluating it."""
        depth = 0
        while depth or self.peek()[1] not in (",", ")"):
            sign = self.take()[1]
            depth += (sign == "(") - (sign == ")")
