/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * blemish_rule.c - how sure it is that an odd spot is dirt: one hidden layer over its features,
 * fitted by quality/blemish_rule.py, whose inputs() must stay as they are here.
 */
#include <math.h>

#include "restore/blemish.h"
#include "restore/blemish_fit.h"

float rw_blemish_judge(const float f[BLEMISH_FEATURES])
{
    const float in[BLEMISH_FEATURES] = {
        MIN(f[BLEMISH_AREA], 8.0f),
        f[BLEMISH_SCORE],
        f[BLEMISH_PEAK],
        f[BLEMISH_SIGN],
        MIN(f[BLEMISH_RING], 4.0f),
        MIN(f[BLEMISH_QUARREL], 2.5f),
        logf(f[BLEMISH_QUARREL_RING] + 0.5f),
        CLAMP(f[BLEMISH_EDGE], -0.2f, 1.0f),
        f[BLEMISH_TRUST],
        logf(1.0f + f[BLEMISH_ROUGH]),
        f[BLEMISH_TWIN],
        f[BLEMISH_TWIN_PAIR],
        sqrtf(f[BLEMISH_BUSY]),
        MIN(f[BLEMISH_COLOUR], 3.0f),
        f[BLEMISH_LIGHT] / 50.0f,
    };
    float score = BIAS;
    for (int h = 0; h < HIDDEN; h++) {
        float sum = hidden_bias[h];
        for (int i = 0; i < BLEMISH_FEATURES; i++) {
            const float z = (in[i] - mean[i]) / deviation[i];
            sum += hidden[i * HIDDEN + h] * CLAMP(z, -4.0f, 4.0f);
        }
        score += output[h] * tanhf(sum);
    }
    return 1.0f / (1.0f + expf(-score));
}
