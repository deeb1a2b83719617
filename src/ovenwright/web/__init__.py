"""The local web application: parse, call a verb, show. Every page has a JSON twin."""
