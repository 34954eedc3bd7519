#!/bin/sh
# Opens the page at the bench; a double click in the Finder starts this.
exec "$(dirname "$0")/tapload" live --documents
