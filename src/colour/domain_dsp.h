/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef RW_COLOUR_DOMAIN_DSP_H
#define RW_COLOUR_DOMAIN_DSP_H

#include "base/cpu.h"
#include "colour/domain.h"

void rw_domain_dsp_init(rw_domain_dsp *dsp, rw_cpu level);

#endif
