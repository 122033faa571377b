/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * select.h - order of numbers: for qsort, and the k-th smallest without sorting all.
 */
#ifndef RW_BASE_SELECT_H
#define RW_BASE_SELECT_H

/* For qsort and g_array_sort, ascending. Values must not be NaN. */
int rw_compare_doubles(const void *a, const void *b);
int rw_compare_floats(const void *a, const void *b);

/* The k-th smallest, 0 <= k < n. The values change places: it comes to v[k], none that is larger
 * lies before it, none that is smaller behind (C. A. R. Hoare, Algorithm 65: Find, 1961; from
 * memory). */
double rw_select_double(double *v, int n, int k);
float rw_select_float(float *v, int n, int k);

#endif
