# Reference values for retention, made with R. Run in this folder: Rscript make_reference.R
# Writes data/*.csv (the data used) and reference.json. CI never runs R.
suppressMessages({library(survival); library(jsonlite)})
write <- function(frame, name) write.csv(frame, file.path("data", name), row.names = FALSE, quote = FALSE)
out <- list()
out$versions <- list(R = paste(R.version$major, R.version$minor, sep = "."),
                     survival = as.character(packageVersion("survival")),
                     MASS = as.character(packageVersion("MASS")))
km <- function(fit, times = NULL) {
  s <- if (is.null(times)) summary(fit) else summary(fit, times = times)
  list(time = s$time, survival = s$surv, standard_error = s$std.err, at_risk = s$n.risk,
       events = s$n.event, lower = s$lower, upper = s$upper)
}
cox <- function(fit) {
  list(coefficient = unname(coef(fit)),
       standard_error = unname(sqrt(diag(if (is.null(fit$naive.var)) fit$var else fit$naive.var))),
       robust_standard_error = if (is.null(fit$naive.var)) NULL else unname(sqrt(diag(fit$var))),
       log_likelihood = fit$loglik, score = unname(fit$score))
}

gehan <- MASS::gehan
write(data.frame(pair = gehan$pair, time = gehan$time, event = gehan$cens, control = as.integer(gehan$treat == "control")), "gehan.csv")
treated <- subset(gehan, treat == "6-MP")
fit <- survfit(Surv(time, cens) ~ 1, data = treated, conf.type = "log-log")
out$gehan_curve <- km(fit)
out$gehan_median <- unname(quantile(fit, 0.5)[[1]])
out$gehan_median_lower <- unname(quantile(fit, 0.5)$lower)
out$gehan_median_upper <- unname(quantile(fit, 0.5)$upper)
out$gehan_logrank <- survdiff(Surv(time, cens) ~ treat, data = gehan)$chisq
out$gehan_logrank_peto <- survdiff(Surv(time, cens) ~ treat, data = gehan, rho = 1)$chisq
out$gehan_logrank_by_pair <- survdiff(Surv(time, cens) ~ treat + strata(pair), data = gehan)$chisq
for (ties in c("efron", "breslow")) {
  out[[paste0("gehan_cox_", ties)]] <- cox(coxph(Surv(time, cens) ~ I(treat == "control"), data = gehan, ties = ties))
  out[[paste0("gehan_cox_by_pair_", ties)]] <- cox(coxph(Surv(time, cens) ~ I(treat == "control") + strata(pair), data = gehan, ties = ties))
  out[[paste0("gehan_cox_cluster_", ties)]] <- cox(coxph(Surv(time, cens) ~ I(treat == "control") + cluster(pair), data = gehan, ties = ties))
}
rm_table <- function(fit, tau) { s <- summary(fit, rmean = tau)$table; c(s["rmean"], s["se(rmean)"]) }
out$gehan_restricted_mean <- list(
  treated = unname(rm_table(survfit(Surv(time, cens) ~ 1, data = treated), 20)),
  control = unname(rm_table(survfit(Surv(time, cens) ~ 1, data = subset(gehan, treat == "control")), 20)))

write(data.frame(time = aml$time, event = aml$status, maintained = as.integer(aml$x == "Maintained")), "aml.csv")
out$aml_curve <- km(survfit(Surv(time, status) ~ 1, data = subset(aml, x == "Maintained"), conf.type = "log-log"))
out$aml_logrank <- survdiff(Surv(time, status) ~ x, data = aml)$chisq
out$aml_cox <- cox(coxph(Surv(time, status) ~ x, data = aml))

p <- subset(pbc, id <= 312)
write(data.frame(days = p$time, death = as.integer(p$status == 2), active = as.integer(p$trt == 1)), "pbc.csv")
ry <- lapply(1:2, function(a) unname(rm_table(survfit(Surv(time / 365.25, status == 2) ~ 1, data = subset(p, trt == a)), 10)))
out$pbc_restricted_mean <- list(active = ry[[1]], placebo = ry[[2]])

write(data.frame(id = kidney$id, time = kidney$time, event = kidney$status, age = kidney$age, sex = kidney$sex), "kidney.csv")
for (ties in c("efron", "breslow"))
  out[[paste0("kidney_", ties)]] <- cox(coxph(Surv(time, status) ~ age + sex + cluster(id), data = kidney, ties = ties))

rats_f <- subset(rats, sex == "f")
write(data.frame(litter = rats_f$litter, rx = rats_f$rx, time = rats_f$time, event = rats_f$status), "rats.csv")
for (ties in c("efron", "breslow"))
  out[[paste0("rats_", ties)]] <- cox(coxph(Surv(time, status) ~ rx + cluster(litter), data = rats_f, ties = ties))

write(data.frame(days = jasa$futime, death = jasa$fustat, transplant = jasa$transplant, age = jasa$age), "jasa.csv")
j <- subset(jasa, futime > 0)
out$jasa_rows <- c(nrow(jasa), nrow(j))
out$jasa_cox <- cox(coxph(Surv(futime, fustat) ~ transplant, data = jasa))
out$jasa_logrank <- survdiff(Surv(futime, fustat) ~ transplant, data = jasa)$chisq
write(data.frame(id = heart$id, start = heart$start, stop = heart$stop, event = heart$event, transplant = as.integer(as.character(heart$transplant)), age = heart$age, surgery = heart$surgery), "heart.csv")
for (ties in c("efron", "breslow")) {
  out[[paste0("heart_", ties)]] <- cox(coxph(Surv(start, stop, event) ~ transplant, data = heart, ties = ties))
  out[[paste0("heart_cluster_", ties)]] <- cox(coxph(Surv(start, stop, event) ~ transplant + age + cluster(id), data = heart, ties = ties))
}
out$heart_model_1 <- cox(coxph(Surv(start, stop, event) ~ (age + surgery) * transplant, data = heart, ties = "breslow"))

# delayed entry: the heart rows after transplant as members who enter late
late <- subset(heart, transplant == 1)
out$late_curve <- km(survfit(Surv(start, stop, event) ~ 1, data = late, conf.type = "log-log"))

toy <- data.frame(time = c(1, 1, 2, 2, 2, 2, 3, 4, 5), status = c(1, 0, 1, 1, 1, 0, 0, 1, 0),
                  x = c(2, 0, 1, 1, 0, 1, 0, 1, 0), wt = c(1, 2, 3, 4, 3, 2, 1, 2, 1))
out$toy_weighted_breslow <- cox(coxph(Surv(time, status) ~ x, data = toy, weights = wt, ties = "breslow", robust = TRUE))

# exact common odds ratio: help page of mantelhaen.test (Mantel 1963), and UCB admissions
rabbits <- array(c(0, 0, 6, 5, 3, 0, 3, 6, 6, 2, 0, 4, 5, 6, 1, 0, 2, 5, 0, 0), dim = c(2, 2, 5))
e <- mantelhaen.test(rabbits, exact = TRUE)
out$rabbits <- list(tables = apply(rabbits, 3, as.vector, simplify = FALSE), p = e$p.value, log_estimate = log(unname(e$estimate)), log_interval = log(as.vector(e$conf.int)),
                    corrected = unname(mantelhaen.test(rabbits)$statistic))
ucb <- UCBAdmissions
out$ucb <- list(tables = unname(apply(ucb, 3, as.vector, simplify = FALSE)), uncorrected = unname(mantelhaen.test(ucb, correct = FALSE)$statistic),
                corrected = unname(mantelhaen.test(ucb)$statistic), odds_ratio = unname(mantelhaen.test(ucb)$estimate), interval = as.vector(mantelhaen.test(ucb)$conf.int))
f <- fisher.test(matrix(c(9, 1, 3, 7), 2))
out$fisher <- list(p = f$p.value, log_estimate = log(unname(f$estimate)), log_interval = log(as.vector(f$conf.int)))
writeLines(toJSON(out, digits = NA, auto_unbox = TRUE, pretty = TRUE), "reference.json")
