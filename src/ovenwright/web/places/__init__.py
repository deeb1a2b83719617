"""The places of the web application, one module each; they can be visited in any order."""
