/* A decision in another language: creeps along its path, halts while a track is near ahead of the bumper. */
/* Reads lines of JSON by looking for the few names it needs; no library. For tests, not for vehicles. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static double number_after(const char *text, const char *name, double otherwise)
{
    const char *at = text ? strstr(text, name) : NULL;
    return at ? strtod(at + strlen(name), NULL) : otherwise;
}

static int somebody_ahead(const char *line)
{
    const char *ego = strstr(line, "\"ego\":{"), *at = strstr(line, "\"tracks\":{");
    double x = number_after(ego, "\"x_m\":", NAN), y = number_after(ego, "\"y_m\":", NAN);
    double yaw = number_after(ego, "\"yaw_rad\":", NAN);
    if (!(isfinite(x) && isfinite(y) && isfinite(yaw)) || !at) return 1; /* not known is never free */
    while ((at = strstr(at, "\"state\":[")) != NULL) {
        char *end;
        double tx = strtod(at + 9, &end), ty = strtod(end + 1, NULL);
        double ahead = cos(yaw) * (tx - x) + sin(yaw) * (ty - y), left = cos(yaw) * (ty - y) - sin(yaw) * (tx - x);
        if (!(isfinite(ahead) && isfinite(left))) return 1;
        if (ahead > -1.5 && ahead < 6.5 && fabs(left) < 2.0) return 1;
        at = end;
    }
    return 0;
}

int main(void)
{
    char *line = NULL;
    size_t room = 0;
    while (getline(&line, &room, stdin) > 0) {
        long id = (long)number_after(line, "\"id\":", -1);
        if (strstr(line, "\"call\":\"begin\"")) {
            printf("{\"id\":%ld,\"output\":{\"ready\":true}}\n", id);
        } else if (!strstr(line, "\"call\":\"verdict\"")) {
            printf("{\"id\":%ld,\"refused\":\"only verdict is known\"}\n", id);
        } else if (!strstr(line, "\"pressed\":true")) {
            printf("{\"id\":%ld,\"output\":{\"action\":\"wait\",\"speed_cap_mps\":0,\"why\":\"hold-to-run\"}}\n", id);
        } else if (somebody_ahead(line)) {
            printf("{\"id\":%ld,\"output\":{\"action\":\"halt\",\"speed_cap_mps\":0,\"why\":\"somebody ahead\"}}\n", id);
        } else {
            printf("{\"id\":%ld,\"output\":{\"action\":\"continue\",\"speed_cap_mps\":0.5,\"why\":\"free\"}}\n", id);
        }
        fflush(stdout);
    }
    free(line);
    return 0;
}
