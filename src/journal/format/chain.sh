log=$1
prev="bismar batch log 1 $(sed -n "2s/,.*//p" "$log")"
tail -n +2 "$log" | while IFS= read -r row; do
  sum=$(printf '%s,%s' "$prev" "${row%,*}" | sha256sum | cut -c1-16)
  [ "$sum" = "${row##*,}" ] || { echo "does not fit: $row"; exit 1; }
  prev=$sum
done
