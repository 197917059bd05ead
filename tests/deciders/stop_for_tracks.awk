# The same decision for where there is no compiler: creeps along, halts while any track is known. For tests only.
{
    id = $0; sub(/^\{"id":/, "", id); sub(/,.*/, "", id)
    if (index($0, "\"call\":\"begin\"")) answer = "\"output\":{\"ready\":true}"
    else if (!index($0, "\"call\":\"verdict\"")) answer = "\"refused\":\"only verdict is known\""
    else if (!index($0, "\"pressed\":true")) answer = "\"output\":{\"action\":\"wait\",\"speed_cap_mps\":0}"
    else if (index($0, "\"state\":[")) answer = "\"output\":{\"action\":\"halt\",\"speed_cap_mps\":0}"
    else answer = "\"output\":{\"action\":\"continue\",\"speed_cap_mps\":0.5}"
    printf "{\"id\":%s,%s}\n", id, answer
    fflush()
}
