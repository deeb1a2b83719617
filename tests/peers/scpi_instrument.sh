#!/bin/bash
# A scripted instrument for tests: SCPI lines in, answers out, over whatever socat joins it to.
# The folder in $1 steers it: a file "scan" holds the answer to READ?, a file "mute" silences it,
# a file "identity" the answer to *IDN?, a file "answers" lines QUERY=ANSWER for any other query.
# What it was sent is added to the file "sent".
queue=()
while IFS= read -r line; do
  line=${line%$'\r'}
  printf '%s\n' "$line" >>"$1/sent"
  [ -e "$1/mute" ] && continue
  if [ -e "$1/answers" ] && answer=$(grep -m1 -F -- "$line=" "$1/answers"); then
    printf '%s\n' "${answer#"$line="}"
    continue
  fi
  case $line in
    '*IDN?') cat "$1/identity" ;;
    'READ?') cat "$1/scan" ;;
    'SYST:ERR?') if [ ${#queue[@]} -gt 0 ]; then printf '%s\n' "${queue[0]}"; queue=("${queue[@]:1}"); else printf '0,"No error"\n'; fi ;;
    'CONF:TEMP '*|'ROUT:SCAN '*) ;;
    '*OPC?') printf '1\n' ;;
    *'?') queue+=('-113,"Undefined header"') ;;
    *) queue+=('-113,"Undefined header"') ;;
  esac
done
