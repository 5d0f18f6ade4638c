# Power and sample size of R's own functions (package stats), at points that the tests ask for.
# Run: Rscript make_reference.R > reference.json
number <- function(x) format(x, digits = 15)
row <- function(...) { v <- list(...); paste0("{", paste(sprintf('"%s": %s', names(v), sapply(v, number)), collapse = ", "), "}") }
two_means <- c()
for (d in c(0.2, 0.35, 0.8, 1.5)) for (power in c(0.8, 0.9)) for (alpha in c(0.05, 0.01)) {
  n <- power.t.test(delta = d, sd = 1, power = power, sig.level = alpha, strict = TRUE, tol = 1e-12)$n
  two_means <- c(two_means, row(d = d, power = power, alpha = alpha, n = n))
}
power_means <- c()
for (n in c(3, 8, 20, 77)) for (d in c(0.1, 0.5, 1.2)) {
  p <- power.t.test(n = n, delta = d, sd = 1, strict = TRUE)$power
  power_means <- c(power_means, row(n = n, d = d, power = p))
}
two_shares <- c()
for (p in list(c(0.7, 0.75), c(0.7, 0.85), c(0.5, 0.3), c(0.05, 0.2))) for (power in c(0.8, 0.9)) {
  n <- power.prop.test(p1 = p[1], p2 = p[2], power = power, tol = 1e-12)$n
  two_shares <- c(two_shares, row(p1 = p[1], p2 = p[2], power = power, n = n))
}
cat('{"versions": "', R.version.string, '",\n', sep = "")
cat('"two_means": [', paste(two_means, collapse = ",\n"), '],\n')
cat('"power_means": [', paste(power_means, collapse = ",\n"), '],\n')
cat('"two_shares": [', paste(two_shares, collapse = ",\n"), ']}\n')
